"""One event: its flag, its joint's rows around it, its neighbours in time.

Everything here returns few enough rows to draw; nothing reads more of a
session than the window asked for.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from replay.archive import Archive
from replay.errors import BaselineError, JointbookError, UsageError
from replay.records import Session
from replay.signals.joints import joint_table, joint_tables
from replay.units import JOINT_QUANTITIES, channel

if TYPE_CHECKING:
    from replay.models import Baseline

MOST_ROWS = 4000
"""Rows of one joint that a figure gets; beyond it the extremes are kept."""

CURVES = ("rate_deg_s", "current_a", "remainder", "temperature_c", "load_nm", "angle_deg")


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

    @property
    def serial(self) -> str:
        """Serial number of the joint unit that sat there, or the place's name."""
        return self.record.units.get(self.joint) or self.joint

    @property
    def seconds(self) -> float:
        """Length of the event."""
        return (self.end - self.start).total_seconds()


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
        joint=row["joint"],
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
    )


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
    seen, remainder`` (in spreads; null without a baseline).
    """
    name = joint or event.joint
    tables = joint_tables(archive, event.record.session, start=start, end=end)
    if name not in tables:  # said with the joint's name
        tables[name] = joint_table(archive, event.record.session, name, start=start, end=end)
    return thinned(_expected(archive, event, name, tables), CURVES, MOST_ROWS)


def neighbours(archive: Archive, event: Event, start: datetime, end: datetime) -> pl.DataFrame:
    """Return every joint's rows in a window, one frame with ``joint`` added.

    ``remainder`` says how far the current was from what was expected.
    """
    tables = joint_tables(archive, event.record.session, start=start, end=end)
    frames = [
        thinned(_expected(archive, event, name, tables), ("current_a", "rate_deg_s"), 800)
        .with_columns(joint=pl.lit(name))
        .select("joint", "time", "rate_deg_s", "current_a", "expected_a", "remainder")
        for name in tables
    ]
    return pl.concat(frames) if frames else pl.DataFrame()


def at_instant(rows: pl.DataFrame, event: Event) -> pl.DataFrame:
    """Say what each joint did during the event: one row a joint.

    ``joint, moved_deg_s`` (largest), ``current_a`` (median), ``expected_a``
    (median), ``remainder`` (the largest, signed).
    """
    if not rows.height:
        return rows
    inside = rows.filter(pl.col("time").is_between(event.start, event.end))
    if not inside.height:
        inside = rows
    return inside.group_by("joint", maintain_order=True).agg(
        pl.col("rate_deg_s").abs().max().alias("moved_deg_s"),
        pl.col("current_a").median(),
        pl.col("expected_a").median(),
        pl.col("remainder").get(pl.col("remainder").abs().arg_max()).alias("remainder"),
    )


def brake_sequence(
    archive: Archive, event: Event, start: datetime, end: datetime, *, joints: list[str]
) -> pl.DataFrame:
    """Return what brakes were told and did, and when the joint moved, in order.

    ``time`` (nanoseconds), ``what`` (words), ``joints`` (all that did it at
    that instant), ``since_ms`` (after the row before), ``from_event_s``. The
    first state in the window is not a change and is left out.
    """
    session = event.record.session
    rows: list[dict[str, Any]] = []
    known = {name for names in event.record.channels.values() for name in names}
    words = {
        "brake_engage_cmd": {True: "told to engage", False: "told to release"},
        "brake_engaged": {True: "engaged", False: "released"},
    }
    for joint in joints:
        for quantity, said in words.items():
            name = channel(joint, quantity)
            if name not in known:
                continue
            runs = archive.spans(session, name, start, end)
            for at, value in runs.select("start", "value").slice(1).iter_rows():
                rows.append({"time": at, "joint": joint, "what": said.get(value, "state not said")})
    rows += _starts_and_stops(archive, event, start, end)
    frame = pl.DataFrame(
        rows,
        schema={"time": pl.Datetime("ns", "UTC"), "joint": pl.String, "what": pl.String},
    ).sort("time", "what", "joint")
    zero = pl.lit(event.start).cast(pl.Datetime("ns", "UTC"))
    together = frame.group_by("time", "what", maintain_order=True).agg(pl.col("joint"))
    return together.rename({"joint": "joints"}).with_columns(
        (pl.col("time").diff().dt.total_microseconds() / 1000).alias("since_ms"),
        ((pl.col("time") - zero).dt.total_microseconds() / 1e6).alias("from_event_s"),
    )


def sensor_health(
    archive: Archive, event: Event, start: datetime, end: datetime
) -> tuple[pl.DataFrame, list[str]]:
    """Say how well the joint's channels were recorded around the event.

    Returns
    -------
    channels : polars.DataFrame
        One row a channel: ``quantity, unit, samples, missing`` (share of
        samples without a value), ``step_ms`` (usual interval), ``gap_ms``
        (longest interval), ``unchanged_s`` (longest run of one value),
        ``noise`` (standard deviation from second differences).
    notes : list of str
        Quality notes of the session that touch the window and the joint.
    """
    rows = []
    for name, quantity in JOINT_QUANTITIES.items():
        full = channel(event.joint, name)
        stream = archive.stream_of(event.record, full)
        if stream is None:
            continue
        frame = archive.samples(
            event.record.session, stream=stream, channels=[full], start=start, end=end
        ).collect()
        rows.append(_channel_health(quantity.word, quantity.unit, frame, full))
    notes = [
        f"{n.detail}" + (f" ({n.count} times)" if n.count > 1 else "")
        for n in event.record.quality
        if n.joint in (None, event.joint)
        and (n.start is None or n.start <= end)
        and (n.end is None or n.end >= start)
    ]
    return pl.DataFrame(rows), notes


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


def channel_runs(
    archive: Archive, event: Event, name: str, start: datetime, end: datetime
) -> pl.DataFrame:
    """Return the runs of one channel of yes and no: ``start, end, value``."""
    return archive.spans(event.record.session, name, start, end)


def span_rows(
    archive: Archive, session: str, joint: str, start: datetime, end: datetime
) -> pl.DataFrame:
    """Return every sample of a joint in a span: the joint table, nothing thinned."""
    return joint_table(archive, session, joint, start=start, end=end)


def usual_step_ms(archive: Archive, event: Event, start: datetime, end: datetime) -> float | None:
    """Return the usual interval of the joint's brake channel, else its current's."""
    for quantity in ("brake_engaged", "brake_engage_cmd", "current_a"):
        name = channel(event.joint, quantity)
        stream = archive.stream_of(event.record, name)
        if stream is None:
            continue
        times = archive.samples(
            event.record.session, stream=stream, channels=[], start=start, end=end
        ).collect()["time"]
        step = times.diff().dt.total_microseconds().median()
        return float(step) / 1000 if isinstance(step, int | float) else None
    return None


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


def thinned(table: pl.DataFrame, columns: tuple[str, ...], most: int) -> pl.DataFrame:
    """Keep at most about ``most`` rows, with the least and greatest of each column.

    The rows are cut into equal buckets; of each bucket the rows with the
    extremes of every column stay, so that no peak is lost.
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
    rows = np.unique(np.concatenate([picks[c].drop_nulls().to_numpy() for c in picks.columns]))
    return table[rows]


def evidence_words(text: str | None) -> tuple[tuple[str, str], ...]:
    """Turn a flag's evidence (a JSON object) into pairs of words.

    >>> evidence_words('{"current_shift_a": 1.25, "detector": "remainder"}')
    (('current shift', '1.25 A'), ('detector', 'remainder'))
    """
    try:
        found = json.loads(text or "{}")
    except ValueError:
        return (("evidence", str(text)),)
    if not isinstance(found, dict):
        return (("evidence", str(found)),)
    return tuple(
        _spoken(str(key), value)
        for key, value in found.items()
        if value is not None and value != [] and key not in _BOOKKEEPING
    )


_BOOKKEEPING = frozenset({"from_s", "to_s"})
"""Places the page shows as times already."""


_UNITS = (
    ("_deg_s2", "deg/s²"),
    ("_deg_s", "deg/s"),
    ("_deg", "deg"),
    ("_ms", "ms"),
    ("_s", "s"),
    ("_nm", "N m"),
    ("_kg", "kg"),
    ("_hz", "Hz"),
    ("_a", "A"),
    ("_c", "degC"),
    ("_share", ""),
)


def _spoken(key: str, value: Any) -> tuple[str, str]:
    unit = ""
    for ending, word in _UNITS:
        if key.endswith(ending) and isinstance(value, int | float | list):
            key, unit = key.removesuffix(ending), word
            break
    return key.replace("_", " ").strip(), f"{_figure(value)} {unit}".strip()


def _figure(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"
    if isinstance(value, list):
        return ", ".join(_figure(v) for v in value)
    if isinstance(value, dict):
        return "; ".join(f"{k.replace('_', ' ')} {_figure(v)}" for k, v in value.items())
    return str(value)


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
    unit = event.record.units.get(joint) or joint
    expected = None
    try:
        baseline = baseline_of(archive, event)
        if table.height and baseline is not None:
            expected = baseline.expected(table, unit, arm)
    except JointbookError:  # said in words beside the score; here there is just no band
        expected = None
    if expected is None:
        wide = table.with_columns(pl.lit(None, dtype=t).alias(n) for n, t in nothing.items())
    else:
        wide = pl.concat([table, expected.select(list(nothing))], how="horizontal")
    return wide.with_columns(
        remainder=(pl.col("current_a") - pl.col("expected_a")) / pl.col("spread_a")
    )


def _starts_and_stops(
    archive: Archive, event: Event, start: datetime, end: datetime
) -> list[dict[str, Any]]:
    try:
        table = joint_table(archive, event.record.session, event.joint, start=start, end=end)
    except JointbookError:
        return []
    moving = (pl.col("motion") == "moving").fill_null(False)
    turns = table.select("time", moving.alias("moving")).with_columns(
        turn=pl.col("moving") != pl.col("moving").shift(1)
    )
    return [
        {"time": at, "joint": event.joint, "what": "starts to move" if now else "stands still"}
        for at, now in turns.filter("turn").select("time", "moving").iter_rows()
    ]


def _channel_health(word: str, unit: str, frame: pl.DataFrame, name: str) -> dict[str, Any]:
    steps = frame["time"].diff().dt.total_microseconds() / 1000
    values = frame[name]
    runs = (
        frame.with_columns(run=pl.col(name).rle_id())
        .filter(pl.col(name).is_not_null())
        .group_by("run")
        .agg((pl.col("time").last() - pl.col("time").first()).alias("length"))
    )
    longest = runs["length"].max() if runs.height else None
    noise = None
    if values.dtype.is_float() and values.drop_nulls().len() > 3:
        bend = values.drop_nulls().diff().diff().drop_nulls()
        spread = bend.std()
        noise = float(spread) / 6**0.5 if isinstance(spread, float) else None
    return {
        "quantity": word,
        "unit": unit,
        "samples": frame.height,
        "missing": values.null_count() / frame.height if frame.height else None,
        "step_ms": steps.median() if frame.height > 1 else None,
        "gap_ms": steps.max() if frame.height > 1 else None,
        "unchanged_s": longest.total_seconds() if isinstance(longest, timedelta) else None,
        "noise": noise,
    }


def _utc(moment: datetime) -> datetime:
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)
