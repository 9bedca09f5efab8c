"""What the HTTP interface asks the engine for."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any

import polars as pl

from replay.archive import Archive
from replay.errors import UsageError
from replay.reports import (
    Report,
    frames,
    make_bundle,
    session_report,
    summary_report,
    unit_report,
)
from replay.reports.columns import FINDINGS, SESSIONS, TRENDS, VERDICTS, Column
from replay.reviews import VERDICTS as VERDICT_WORDS

__all__ = ["FINDINGS", "SESSIONS", "TRENDS", "VERDICTS", "VERDICT_WORDS", "Column", "Report"]


def rows(archive: Archive, what: str, session: str | None, words: dict[str, Any]) -> pl.DataFrame:
    """Return the frame of an operation: sessions, findings, verdicts or trends."""
    if what == "sessions":
        return frames.session_frame(archive, **words)
    if what == "findings":
        return frames.finding_frame(archive, session=session, **words)
    if what == "verdicts":
        return frames.verdict_frame(archive, session=session)
    return frames.trend_frame(archive, **words)


def samples(
    archive: Archive,
    session: str,
    *,
    start: datetime | None,
    end: datetime | None,
    channels: list[str] | None,
    stream: str,
    most_rows: int,
) -> pl.DataFrame:
    """Return a window of a session's cleaned samples."""
    return frames.sample_frame(
        archive, session, start=start, end=end, channels=channels, stream=stream,
        most_rows=most_rows,
    )  # fmt: skip


def report(
    archive: Archive, session: str | None, serial: str | None, words: dict[str, Any]
) -> Report:
    """Return the report of a session, of a unit, or a summary."""
    if session is not None:
        return session_report(archive, session)
    if serial is not None:
        return unit_report(archive, serial)
    return summary_report(archive, **words)


def bundle(archive: Archive, session: str, finding: str | None, folder: Path) -> Path:
    """Write an evidence bundle to a folder and verify it; returns its path.

    Raises
    ------
    UsageError
        There is no such session, check or finding, or what was made does not hold.
    """
    made = make_bundle(archive, session, folder, finding=finding)
    if made.verified is None or not made.verified.holds:
        raise UsageError(
            f"a bundle of {session} was made, but its flags are not the same when computed again",
            todo="check the session again, or make it by `jointbook bundle make`, which says more",
        )
    return made.path


def has_unit(archive: Archive, serial: str) -> bool:
    """Tell whether a measured session has this joint unit."""
    return archive.rows_of_units("indicators", [serial], ("serial",)).height > 0
