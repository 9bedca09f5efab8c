"""The runs of a brake's word: what it said, for how long, and where that is not known."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt
import polars as pl

from dashboards.figures.holes import HOLE_STEPS, OFTEN
from dashboards.queries.session import completeness
from dashboards.queries.session.second_recorder import best_spans, quick_streams, stretches_of
from replay.archive import Archive
from replay.records import Session
from replay.units import TIME, channel

Ints = npt.NDArray[np.int64]

SAMPLED = ("current_a", "angle_deg", "rate_deg_s")
"""Channels that a recorder writes at a step of its own; brake words are often told on change. A
temperature that is not written for some seconds may only not have changed."""

BRAKE_WORDS = ("brake_engaged", "brake_engage_cmd")

AROUND = timedelta(seconds=60)
"""A gap is looked for so far beyond a window's ends: it may begin and end outside."""

MOSTLY = 0.5
"""A share: where more of the rows than this tell a change, rows are written to tell one."""

WHOLE = 0.9995
"""A joint that has less than this share of its samples lacks some."""


def whole_runs(archive: Archive, record: Session, name: str) -> pl.DataFrame:
    """Return a brake channel's runs through the whole session, as `brake_runs` does.

    Where nothing is missing and each row has its word, the archive's own runs are all there is
    to know: no sample is read.
    """
    runs = best_spans(archive, record, name)
    joint = name.partition(".")[0]
    stream = archive.stream_of(record, name)
    if stream is None or quick_streams(record, [name]):
        return runs
    beside = {n.rpartition(".")[2] for n in record.channels[stream]}
    if (
        beside & set(SAMPLED)
        and not runs["value"].null_count()
        and not _lacks(archive, record, joint)
    ):
        return runs
    return brake_runs(archive, record, joint, name, record.start, record.end)


def _lacks(archive: Archive, record: Session, joint: str) -> bool:
    """Tell whether samples of a joint are missing: rows of the log, or values in them."""
    shares = completeness.by_joint(archive, [record.session], [joint]).get(record.session, {})
    share = shares.get(joint)
    return any(n.kind == "gap" for n in record.quality) or (share is not None and share < WHOLE)


def told_on_change(archive: Archive, record: Session, name: str, stream: str) -> bool:
    """Tell whether a stream writes a brake's word when it changes, not sample by sample.

    Either most of its words differ from the one before, or, where a row repeats the other
    joints' words, most rows of a stream that has nothing else tell the change of one. The
    distance of two words is then no sampling step.
    """
    own = archive.samples(record.session, stream=stream, channels=[name]).collect()[name]
    if own.dtype != pl.Boolean:
        return False
    words = own.drop_nulls()
    if words.len() and words.ne_missing(words.shift()).sum() > MOSTLY * words.len():
        return True
    if not apart(record, stream):
        return False
    beside = list(record.channels[stream])
    held = archive.samples(record.session, stream=stream, channels=beside).collect()
    held = held.select(pl.col(beside).forward_fill())
    turns = held.select(
        pl.any_horizontal(pl.col(c).ne_missing(pl.col(c).shift()) for c in beside).alias("turns")
    )["turns"]
    return bool(turns.sum() > MOSTLY * held.height)


def apart(record: Session, stream: str) -> bool:
    """Tell whether a stream has brake words and nothing that has a step of its own."""
    return all(n.rpartition(".")[2] in BRAKE_WORDS for n in record.channels[stream])


def brake_runs(
    archive: Archive, record: Session, joint: str, name: str, start: datetime, end: datetime
) -> pl.DataFrame:
    """Return the runs of a brake's channel: ``start, end, value``; null where it is not known.

    A channel written sample by sample is not known where its own samples are missing. One that
    is told when it changes holds until it says something else, whatever rows others have
    written meanwhile, and to the session's end; being silent by habit, it is not known where
    current, angle or rate of the joint is missing, for its word may be lost with them.

    Parameters
    ----------
    archive : Archive
    record : Session
    joint : str
    name : str
        The brake's channel, of this joint.
    start, end : datetime
        The window that the runs are cut to.
    """

    def seen(of: str, holes: list[tuple[int, int]]) -> list[tuple[int, int]]:
        """Leave out of the holes what a second recorder saw of the channel."""
        for stream in quick_streams(record, [of]):
            for low, high in stretches_of(archive, record.session, stream).tolist():
                pieces = [((a, min(b, low)), (max(a, high), b)) for a, b in holes]
                holes = [(a, b) for pair in pieces for a, b in pair if a < b]
        return holes

    known = _times(archive, record, name, start, end)
    steps = np.diff(known)
    others = [(q, _times(archive, record, channel(joint, q), start, end)) for q in SAMPLED]
    usual = min((float(np.median(np.diff(t))) for _, t in others if t.size > 1), default=0.0)
    if steps.size and float(np.quantile(steps, OFTEN)) <= HOLE_STEPS * usual:
        runs = best_spans(archive, record, name, start, end)
        return _cut(runs, seen(name, _holes(known, record, start, end)))
    held = _held(best_spans(archive, record, name), start, min(end, record.end))
    holes: list[tuple[int, int]] = []
    for quantity, times in others:
        if times.size or _logged(record, channel(joint, quantity)):
            holes += seen(channel(joint, quantity), _holes(times, record, start, end))
    return _cut(held, holes)


def _logged(record: Session, name: str) -> bool:
    return any(name in names for names in record.channels.values())


def _held(runs: pl.DataFrame, start: datetime, end: datetime) -> pl.DataFrame:
    """Return the runs of what is told on change: each word until the next, the last to the end."""
    kind = runs.schema["start"]
    first, last = (pl.lit(t).cast(kind) for t in (start, end))
    told = runs.drop_nulls("value").filter(pl.col("value").ne_missing(pl.col("value").shift()))
    return (
        told.with_columns(end=pl.col("start").shift(-1).fill_null(last))
        .with_columns(pl.max_horizontal("start", first), pl.min_horizontal("end", last))
        .filter(pl.col("start") < pl.col("end"))
    )


def _times(archive: Archive, record: Session, name: str, start: datetime, end: datetime) -> Ints:
    """Return the instants, in and around a window, at which a channel has a value; ns, rising."""
    stream = archive.stream_of(record, name)
    if stream is None:
        return np.zeros(0, dtype=np.int64)
    rows = archive.samples(
        record.session, stream=stream, channels=[name], start=start - AROUND, end=end + AROUND
    ).collect()
    return rows.drop_nulls(name)[TIME].cast(pl.Int64).to_numpy()


def _holes(times: Ints, record: Session, start: datetime, end: datetime) -> list[tuple[int, int]]:
    """Return the stretches in which the next sample is late by `HOLE_STEPS` of what is usual.

    A window without any sample of the channel, and around it, is one such stretch.
    """
    low, high = (_ns(t) for t in (max(start - AROUND, record.start), min(end + AROUND, record.end)))
    if not times.size:
        return [(low, high)]
    if times.size < 3:
        return []
    step = np.diff(times)
    usual = float(np.sort(step)[int(OFTEN * (step.size - 1))])
    late = np.flatnonzero(step > HOLE_STEPS * usual)
    found = [(int(times[k] + usual), int(times[k + 1])) for k in late]
    if times[0] - low > HOLE_STEPS * usual:
        found.append((low, int(times[0])))
    if high - times[-1] > HOLE_STEPS * usual:
        found.append((int(times[-1] + usual), high))
    return found


def _ns(at: datetime) -> int:
    return round(at.timestamp() * 1e6) * 1000


def _cut(runs: pl.DataFrame, holes: Sequence[tuple[int, int]]) -> pl.DataFrame:
    """Take stretches out of runs and leave them as runs without a value."""
    rows = runs.select(pl.col("start", "end").to_physical(), "value").rows()
    for low, high in sorted(holes):
        left = []
        for a, b, value in rows:
            if b <= low or a >= high or value is None:
                left.append((a, b, value))
                continue
            left += [(a, low, value)] if a < low else []
            left += [(max(a, low), min(b, high), None)]
            left += [(high, b, value)] if b > high else []
        rows = left
    kind = runs.schema["start"]
    return pl.DataFrame(
        {
            "start": pl.Series([r[0] for r in rows], dtype=pl.Int64).cast(kind),
            "end": pl.Series([r[1] for r in rows], dtype=pl.Int64).cast(kind),
            "value": pl.Series([r[2] for r in rows], dtype=runs.schema["value"]),
        }
    )
