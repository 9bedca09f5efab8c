"""Verdicts and pins for the pages; every write goes through `replay.reviews`."""

from __future__ import annotations

from datetime import datetime, timedelta

import polars as pl

from replay.archive import Archive
from replay.reviews import (
    OPEN,
    VERDICTS,
    Disposition,
    Pin,
    add_pin,
    findings,
    judge,
    orphaned_verdicts,
    pins,
    reviewed_flags,
    verdict_history,
    withdraw_pin,
)

__all__ = [
    "OPEN",
    "VERDICTS",
    "decide",
    "history",
    "leads",
    "orphans",
    "pin_span",
    "pinned",
    "review_table",
    "unpin",
]


def review_table(archive: Archive, session: str) -> pl.DataFrame:
    """Return a session's flags beside their verdicts, most urgent first."""
    return reviewed_flags(archive, session)


def orphans(archive: Archive, session: str) -> pl.DataFrame:
    """Return verdicts on flags that a later check no longer raises."""
    return orphaned_verdicts(archive, session)


def history(archive: Archive, session: str, flag: str) -> pl.DataFrame:
    """Return every decision on a flag, oldest first."""
    return verdict_history(archive, session, flag)


def decide(
    archive: Archive, session: str, flag: str, verdict: str, note: str, reviewer: str, seen: int
) -> Disposition:
    """Write a verdict on a flag's finding, in words when it is not acceptable.

    Raises
    ------
    StaleError
        Somebody else decided after the entry ``seen``.
    UsageError
        Something is missing or does not fit.
    """
    return judge(archive, session, flag, verdict, reviewer=reviewer, note=note, seen=seen)[0]


def leads(archive: Archive, session: str) -> dict[str, tuple[str, ...]]:
    """Return the flag that speaks for each finding, with all flags under it, worst first."""
    return {f.lead.flag: tuple(x.flag for x in f.flags) for f in findings(archive, session)}


def pinned(archive: Archive, session: str, start: datetime, end: datetime) -> pl.DataFrame:
    """Return the pins that touch a window, earliest first."""
    return pins(archive, session, start=start, end=end)


def pin_span(
    archive: Archive,
    session: str,
    zero: datetime,
    from_s: float,
    to_s: float | None,
    text: str,
    author: str,
    joint: str | None,
) -> Pin:
    """Pin a note to an instant or span given in seconds after ``zero``."""
    start = zero + timedelta(seconds=from_s)
    end = None if to_s is None else zero + timedelta(seconds=to_s)
    return add_pin(archive, session, start, end, text=text, author=author, joint=joint)


def unpin(archive: Archive, session: str, pin: str, author: str) -> None:
    """Withdraw a pin; its history stays."""
    withdraw_pin(archive, session, pin, author=author)
