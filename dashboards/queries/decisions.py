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
    give_verdict,
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
    archive: Archive, session: str, flag: str, verdict: str, note: str, reviewer: str
) -> Disposition:
    """Write a verdict; UsageError in words when it is not acceptable."""
    return give_verdict(archive, session, flag, verdict, reviewer=reviewer, note=note)


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
