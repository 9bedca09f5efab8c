"""Where a second, quicker recorder saw a session, its samples are what is shown."""

from __future__ import annotations

from datetime import datetime
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from dashboards.figures.packing import Points
from dashboards.links import to_datetime, to_ns
from dashboards.queries.session.sessions import Outline
from replay.archive import Archive
from replay.records import Session
from replay.signals.brakes.second_recorder import stretches
from replay.units import TIME

Ints = npt.NDArray[np.int64]


def quick_streams(record: Session, names: list[str]) -> dict[str, list[str]]:
    """Return the second recorders' streams, and which of these channels each of them has."""
    held = {s: set(record.channels[s]) for s in record.second_recorders}
    return {s: here for s, own in held.items() if (here := [n for n in names if n in own])}


@lru_cache(maxsize=32)
def stretches_of(archive: Archive, session: str, stream: str) -> Ints:
    """Return first and last instant of each stretch that a stream covers, ns, shape (n, 2)."""
    times = archive.samples(session, stream=stream, channels=[]).select(TIME).collect()[TIME]
    return stretches(times.to_physical().to_numpy())


def with_quick_points(
    archive: Archive,
    found: Outline,
    points: dict[str, Points],
    start_ns: int,
    end_ns: int,
    most: int,
) -> tuple[dict[str, Points], float]:
    """Return channels' points with the quick recorders' among them, and the main one's step, s."""
    usual_s = 0.0
    for stream, shared in quick_streams(found.record, list(points)).items():
        usual_s = max([usual_s, *(usual_step_s(points[n][0]) for n in shared)])
        start, end = to_datetime(start_ns), to_datetime(end_ns)
        quick = archive.window(found.session, shared, start, end, most, stream=stream)
        edges = stretches_of(archive, found.session, stream)
        points |= {n: spliced(points[n], quick[n], edges) for n in shared if quick[n][0].size}
    return points, usual_s


def usual_step_s(time_ns: Ints) -> float:
    """Return the usual step of rising instants, seconds; 0 for too few."""
    steps = np.diff(time_ns)
    steps = steps[steps > 0]
    return float(np.median(steps)) / 1e9 if steps.size else 0.0


def finest_first(
    archive: Archive, found: Outline, start_ns: int, end_ns: int
) -> list[tuple[str, tuple[str, ...]]]:
    """Return the streams, first a second recorder that covers the whole span, then ``main``."""

    def covers(stream: str) -> bool:
        if stream not in found.record.second_recorders:
            return False
        edges = stretches_of(archive, found.session, stream)
        return bool(((edges[:, 0] <= start_ns) & (edges[:, 1] >= end_ns - 2000)).any())

    return sorted(
        found.record.channels.items(), key=lambda item: (not covers(item[0]), item[0] != "main")
    )


def inside(time_ns: Ints, edges: Ints) -> npt.NDArray[np.bool_]:
    """Tell which instants lie in one of the stretches."""
    if not len(edges):
        return np.zeros(len(time_ns), dtype=np.bool_)
    k = np.searchsorted(edges[:, 0], time_ns, side="right") - 1
    return np.asarray((k >= 0) & (time_ns <= edges[np.maximum(k, 0), 1]))


def spliced(main: Points, quick: Points, edges: Ints) -> Points:
    """Return a channel's points with the quick recorder's in the stretches that it covers."""
    keep = ~inside(main[0], edges)
    time_ns = np.concatenate([main[0][keep], quick[0]])
    values = np.concatenate([main[1][keep], quick[1]])
    order = np.argsort(time_ns, kind="stable")
    return time_ns[order], values[order]


def best_spans(
    archive: Archive,
    record: Session,
    name: str,
    start: datetime | None = None,
    end: datetime | None = None,
) -> pl.DataFrame:
    """Return a channel's runs as `Archive.spans` does, the quick recorder's where it covers."""
    runs = archive.spans(record.session, name, start, end)
    for stream in quick_streams(record, [name]):
        quick = archive.spans(record.session, name, start, end, stream=stream)
        runs = spliced_spans(runs, quick, stretches_of(archive, record.session, stream))
    return runs


def stream_there(archive: Archive, record: Session, name: str, at: datetime) -> str | None:
    """Return the stream that shows a channel at an instant, or None where none has it."""
    for stream in quick_streams(record, [name]):
        edges = stretches_of(archive, record.session, stream)
        if inside(np.array([to_ns(at)]), edges)[0]:
            return stream
    return archive.stream_of(record, name)


def spliced_rows(main: pl.DataFrame, quick: pl.DataFrame, edges: Ints) -> pl.DataFrame:
    """Return both recorders' rows of the same columns, the quick one's where it covers."""
    keep = pl.Series(~inside(main[TIME].to_physical().to_numpy(), edges))
    return pl.concat([main.filter(keep), quick], how="vertical_relaxed").sort(TIME)


def spliced_spans(main: pl.DataFrame, quick: pl.DataFrame, edges: Ints) -> pl.DataFrame:
    """Return runs (``start``, ``end``, ``value``), the quick recorder's where it covers."""
    rows: list[tuple[int, int, Any]] = []
    rest = 0
    outside = []
    for first, last in edges.tolist():
        outside.append((rest, first))
        rows += _cut(quick, first, last)
        rest = last
    for first, last in [*outside, (rest, 2**62)]:
        rows += _cut(main, first, last)
    rows.sort(key=lambda r: r[0])
    joined: list[list[Any]] = []
    for start, end, value in rows:
        if joined and joined[-1][2] == value:
            joined[-1][1] = max(joined[-1][1], end)
        else:
            joined.append([start, end, value])
    kind = main.schema["start"]
    return pl.DataFrame(
        {
            "start": pl.Series([r[0] for r in joined], dtype=pl.Int64).cast(kind),
            "end": pl.Series([r[1] for r in joined], dtype=pl.Int64).cast(kind),
            "value": pl.Series([r[2] for r in joined], dtype=main.schema["value"]),
        }
    )


def _cut(runs: pl.DataFrame, first: int, last: int) -> list[tuple[int, int, Any]]:
    whole = runs.select(pl.col("start", "end").to_physical(), "value").rows()
    return [(max(a, first), min(b, last), v) for a, b, v in whole if a < last and b > first]
