"""One event: its flag, its joint's rows around it, its neighbours in time.

Everything here returns few enough rows to draw; nothing reads more of a
session than the window asked for.

Longer than 245 lines because every question about one event reads the same flag, window and
session record.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from dashboards.figures.holes import with_holes
from dashboards.queries.event.evidence import evidence_words
from replay.archive import Archive
from replay.errors import BaselineError, DamageError, JointbookError, UsageError
from replay.records import Session
from replay.signals.joints import joint_tables
from replay.signals.without_current import logged_table
from replay.units import channel

if TYPE_CHECKING:
    from replay.models import Baseline

MOST_ROWS = 4000
"""Rows of one joint that a figure gets; beyond it the extremes are kept."""

HOLDING = "holding"
"""A joint that stands with its drive on and its brake released."""

GAP = "gap"

GAP_EDGE = timedelta(milliseconds=1)
"""A gap is told from the last sample before it to the first after it: neither is in it, and
flags are kept to the microsecond."""

CURVES = ("rate_deg_s", "current_a", "residual", "temperature_c", "load_nm", "angle_deg")


@dataclass(frozen=True, slots=True)
class Event:
    """What a page needs to know before it draws anything.

    ``flag`` is None when someone looks at a span of their own choice; then
    ``kind`` is ``"span"``. ``evidence`` are pairs of words.
    """

    record: Session
    joint: str
    kind: str
    start: datetime
    end: datetime
    flag: str | None = None
    severity: str | None = None
    score: float | None = None
    summary: str = ""
    baseline: str | None = None
    group: str | None = None
    evidence: tuple[tuple[str, str], ...] = ()
    everywhere: bool = False
    """It concerns every joint; ``joint`` is then the one that is drawn."""

    @property
    def place(self) -> str:
        """Where it was: the joint, or every joint."""
        return place("" if self.everywhere else self.joint)

    @property
    def serial(self) -> str:
        """Serial number of the joint unit that sat there, or the place's name."""
        return self.record.unit(self.joint)

    @property
    def seconds(self) -> float:
        """Length of the event."""
        return (self.end - self.start).total_seconds()


def place(joint: str) -> str:
    """Return the joint that a flag names; one without a joint concerns every joint."""
    return joint or "every joint"


def find_event(
    archive: Archive,
    session: str,
    flag: str | None,
    *,
    joint: str | None = None,
    start: datetime | None = None,
    end: datetime | None = None,
) -> Event:
    """Return a flag's event, or a span of a joint as if it were one.

    Raises
    ------
    UsageError
        No such flag, or neither a flag nor a joint with a span.
    """
    record = archive.session(session)
    if flag is None:
        if joint is None or start is None or end is None:
            raise UsageError("an event is a flag, or a joint with a span", todo="choose a flag")
        if joint not in record.joints:
            raise UsageError(f"session {session!r} has no joint {joint!r}")
        return Event(record, joint, "span", start, end, summary="A span of your own choice.")
    flags = archive.table("flags")
    found = (
        flags.filter((pl.col("session") == session) & (pl.col("flag") == flag))
        if flags.height
        else flags
    )
    if not found.height:
        raise UsageError(
            f"session {session!r} has no flag {flag!r}",
            todo="a later check may have replaced it: the review page lists what there is",
        )
    row = found.row(0, named=True)
    return Event(
        record=record,
        joint=row["joint"] or _drawn(record),
        kind=row["kind"],
        start=_utc(row["start"]),
        end=_utc(row["end"]),
        flag=flag,
        severity=row["severity"],
        score=row["score"],
        summary=row["summary"],
        baseline=row["baseline"],
        group=row["group"],
        evidence=evidence_words(row["evidence"]),
        everywhere=not row["joint"],
    )


def _drawn(record: Session) -> str:
    """Return the first joint with a current, to be drawn for what concerns all of them."""
    logged = {name for names in record.channels.values() for name in names}
    there = (j for j in record.joints if channel(j, "current_a") in logged)
    return next(there, record.joints[0])


def has_current(event: Event) -> bool:
    """Tell whether the motor current of the event's joint is a channel of the session."""
    name = channel(event.joint, "current_a")
    return any(name in names for names in event.record.channels.values())


def window_around(event: Event) -> tuple[datetime, datetime]:
    """Return the window that shows an event with its before and after."""
    margin = timedelta(seconds=float(np.clip(0.75 * event.seconds, 5.0, 60.0)))
    start = max(event.start - margin, event.record.start)
    end = min(event.end + margin, event.record.end)
    return start, end if end > start else start + timedelta(seconds=1)


def joint_rows(
    archive: Archive, event: Event, start: datetime, end: datetime, joint: str | None = None
) -> pl.DataFrame:
    """Return a joint's table in a window, thinned, with what was expected.

    Columns of the joint table and ``expected_a, spread_a, low_a, high_a,
    seen, residual`` (in spreads; null without a baseline), ``holds_a``: where the joint stands
    with its brake released friction holds any current up to that, and none is expected.
    A row of nothing stands where a sample is late.
    """
    name = joint or event.joint
    tables = joint_tables(archive, event.record.session, start=start, end=end)
    if name not in tables:  # without a motor current: what else was logged is drawn
        tables[name] = logged_table(archive, event.record.session, name, start=start, end=end)
    whole = with_holes(_expected(archive, event, name, tables))  # thinned rows have no one step
    return downsampled(whole, CURVES, MOST_ROWS)


def neighbours(archive: Archive, event: Event, start: datetime, end: datetime) -> pl.DataFrame:
    """Return every joint's rows in a window, one frame with ``joint`` added.

    ``residual`` says how far the current was from what was expected, ``motion`` and ``holds_a``
    why nothing may be. A row of nothing stands where a sample is late.
    """
    tables = joint_tables(archive, event.record.session, start=start, end=end)
    frames = [
        downsampled(
            with_holes(_expected(archive, event, name, tables)), ("current_a", "rate_deg_s"), 800
        )
        .with_columns(joint=pl.lit(name))
        .select(
            "joint",
            "time",
            "rate_deg_s",
            "current_a",
            "expected_a",
            "residual",
            "motion",
            "holds_a",
        )
        for name in tables
    ]
    return pl.concat(frames) if frames else pl.DataFrame()


def at_instant(rows: pl.DataFrame, event: Event) -> pl.DataFrame:
    """Say what each joint did during the event: one row a joint.

    ``joint, moved_deg_s`` (largest), ``current_a`` (median size), ``expected_a`` (median size
    over the rows where a current is expected, null where none is), ``compared_a`` (median size
    of the current over the same rows), ``holds_a`` (what friction holds at rest), ``residual``
    (the largest, signed). Sizes, for what runs both ways has no one sign. A joint without a
    current in the event has nothing but its name.
    """
    if not rows.height:
        return rows
    joints = rows.select(pl.col("joint").unique(maintain_order=True))
    rows = rows.filter(pl.col("current_a").is_not_null())
    inside = during(rows, event)
    if not inside.height and event.kind != GAP:  # shorter than a step: what is around it
        inside = rows
    runs = pl.col("motion") == "moving"
    asked = runs | ~runs.any()
    expected = pl.col("expected_a").filter(asked & pl.col("expected_a").is_not_null())
    beside = pl.col("current_a").filter(asked & pl.col("expected_a").is_not_null())
    found = inside.group_by("joint", maintain_order=True).agg(
        pl.col("rate_deg_s").abs().max().alias("moved_deg_s"),
        pl.col("current_a").abs().median(),
        expected.abs().median().alias("expected_a"),
        beside.abs().median().alias("compared_a"),
        pl.col("holds_a").median(),
        pl.col("residual").get(pl.col("residual").abs().arg_max()).alias("residual"),
    )
    return joints.join(found, on="joint", how="left", maintain_order="left")


def during(rows: pl.DataFrame, event: Event) -> pl.DataFrame:
    """Return the rows inside an event; of a gap those between the samples that bound it."""
    edge = GAP_EDGE if event.kind == GAP else timedelta()
    return rows.filter(pl.col("time").is_between(event.start + edge, event.end - edge))


def baseline_of(archive: Archive, event: Event) -> Baseline | None:
    """Return the baseline that raised the flag, else the newest, else None.

    Raises
    ------
    BaselineError
        It is there and cannot be read.
    """
    from replay.models import list_versions

    there = list_versions(archive)
    if not there:
        return None
    return _kept_baseline(archive, event.baseline if event.baseline in there else there[-1])


@lru_cache(maxsize=8)
def _kept_baseline(archive: Archive, version: str) -> Baseline:
    from replay.models import load_baseline

    try:
        return load_baseline(archive, version)
    except (KeyError, TypeError, ValueError) as error:
        raise BaselineError(
            f"baseline {version} cannot be read by this version of the program",
            todo="learn again on the library page",
        ) from error


def span_rows(
    archive: Archive, session: str, joint: str, start: datetime, end: datetime
) -> pl.DataFrame:
    """Return every sample of a joint in a span: the joint table, whole."""
    return logged_table(archive, session, joint, start=start, end=end)


def flags_of(archive: Archive, session: str) -> pl.DataFrame:
    """Return the flags of a session in the order of time."""
    frame = archive.table("flags")
    return frame.filter(pl.col("session") == session).sort("start") if frame.height else frame


def last_flagged(archive: Archive) -> str | None:
    """Return the newest session that has a flag, None when none has."""
    frame = archive.table("flags")
    if not frame.height:
        return None
    return str(frame.sort("start")["session"][-1])


def downsampled(table: pl.DataFrame, columns: tuple[str, ...], most: int) -> pl.DataFrame:
    """Keep at most about ``most`` rows, with the least and greatest of each column.

    The rows are cut into equal buckets; of each bucket the rows with the
    extremes of every column stay, so that no peak is lost; and of rows of nothing, which
    say that samples are missing, the first.
    """
    if table.height <= most:
        return table
    there = [c for c in columns if c in table.columns and table[c].null_count() < table.height]
    buckets = max(1, most // (2 * max(1, len(there))))
    bucket = pl.int_range(pl.len()) * buckets // pl.len()
    index = pl.int_range(pl.len())
    picks = (
        table.lazy()
        .select(*there, bucket.alias("bucket"), index.alias("index"))
        .group_by("bucket")
        .agg(
            pl.col("index").first().alias("first"),
            *(pl.col("index").get(pl.col(c).arg_min()).alias(f"{c}.low") for c in there),
            *(pl.col("index").get(pl.col(c).arg_max()).alias(f"{c}.high") for c in there),
        )
        .drop("bucket")
        .collect()
    )
    bare = table.select(pl.all_horizontal(pl.col(c).is_null() for c in there)).to_series()
    holes = (bare & ~bare.shift(1, fill_value=False)).arg_true() if there else bare.arg_true()
    kept = [picks[c].drop_nulls().to_numpy() for c in picks.columns]
    rows = np.unique(np.concatenate([*kept, holes.to_numpy()]))
    return table[rows]


def _expected(
    archive: Archive, event: Event, joint: str, arm: dict[str, pl.DataFrame]
) -> pl.DataFrame:
    """Lay the expected current beside a joint's rows, from the flag's own baseline."""
    table = arm[joint]
    nothing = {
        "expected_a": pl.Float64,
        "spread_a": pl.Float64,
        "low_a": pl.Float64,
        "high_a": pl.Float64,
        "seen": pl.Boolean,
    }
    unit = event.record.unit(joint)
    expected = None
    try:
        baseline = baseline_of(archive, event)
        if table["current_a"].null_count() < table.height and baseline is not None:
            expected = baseline.expected(table, unit, arm)
    except DamageError:
        raise
    except JointbookError:  # said in words beside the score; here there is just no band
        expected = None
    if expected is None:
        wide = table.with_columns(pl.lit(None, dtype=t).alias(n) for n, t in nothing.items())
    else:
        wide = pl.concat([table, expected.select(list(nothing))], how="horizontal")
    wide = wide.with_columns(
        residual=(pl.col("current_a") - pl.col("expected_a")) / pl.col("spread_a")
    )
    return without_rest(wide)


def without_rest(rows: pl.DataFrame) -> pl.DataFrame:
    """Take the expectation away where a joint stands with its brake released.

    Static friction holds any current there, so the middle of the band is no expected value, and
    a band that alternates with that of motion is a fence. ``holds_a`` is how far it reaches.
    """
    rest = (pl.col("motion") == HOLDING).fill_null(value=False)
    half = (pl.col("high_a") - pl.col("low_a")) / 2
    return rows.with_columns(holds_a=pl.when(rest).then(half)).with_columns(
        pl.when(~rest).then(pl.col(c)).alias(c) for c in ("expected_a", "low_a", "high_a")
    )


def _utc(moment: datetime) -> datetime:
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)
