"""What another limit would have flagged: the session's events built anew at it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import polars as pl

from dashboards.queries.event.events import Event, baseline_of
from replay.archive import Archive
from replay.errors import DamageError, JointbookError

MOST_ROWS = 500_000
"""A longer session is not checked twice while someone waits."""

SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "joint": pl.String,
    "kind": pl.String,
    "severity": pl.String,
    "score": pl.Float64,
    "start": pl.Datetime("us", "UTC"),
    "end": pl.Datetime("us", "UTC"),
}


@dataclass(frozen=True, slots=True)
class Rebuilt:
    """The flags of a session at a limit beside those at the limit as learned.

    ``rows`` has `SCHEMA` and ``which``: ``both``, ``here`` (only at the limit
    in question) or ``learned`` (only as learned).
    """

    rows: pl.DataFrame
    rate: float
    learned: float


def rebuilt(archive: Archive, event: Event, rate: float | None) -> Rebuilt | str | None:
    """Check the event's session anew at ``rate`` false flags per 100 joint-hours.

    Nothing is stored. Returns words instead where the session is too long to be
    checked while someone waits, None where there is no baseline to check it by:
    the score through time says why.
    """
    if event.record.rows > MOST_ROWS:
        return (
            f"The events of a session of {event.record.rows:,} rows are not built anew here: "
            "learn at that rate and check the session to see them."
        )
    try:
        baseline = baseline_of(archive, event)
        if baseline is None:
            return None
        learned = recheck(archive, event.record.session, baseline.version, baseline.asked)
        asked = baseline.asked if rate is None else rate
        here = recheck(archive, event.record.session, baseline.version, asked)
    except DamageError:
        raise
    except JointbookError:
        return None
    rows = [
        here.with_columns(which=met(here, learned, "both", "here")),
        learned.with_columns(which=met(learned, here, "both", "learned")).filter(
            pl.col("which") == "learned"
        ),
    ]
    return Rebuilt(pl.concat(rows).sort("start", "joint"), asked, baseline.asked)


def met(own: pl.DataFrame, other: pl.DataFrame, shared: str, alone: str) -> pl.Series:
    """Say of each flag whether the other limit shows it too: same joint, sharing time."""
    kept = list(other.select("joint", "start", "end").iter_rows())
    return pl.Series(
        [
            shared if any(j == joint and s <= end and e >= start for j, s, e in kept) else alone
            for joint, start, end in own.select("joint", "start", "end").iter_rows()
        ],
        dtype=pl.String,
    )


@lru_cache(maxsize=2048)
def recheck(archive: Archive, session: str, version: str, rate: float) -> pl.DataFrame:
    """Return a session's flags at another rate, columns of `SCHEMA`; stores nothing."""
    from replay.checks import check
    from replay.models import load_baseline

    baseline = replace(load_baseline(archive, version), asked=rate)
    found = check(archive, session, baseline, save=False)
    rows = [(f.joint, f.kind, f.severity, f.score, f.start, f.end) for f in found.flags]
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")
