"""Samples for the replay: windows, exact samples, brake runs, spans to keep."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from functools import lru_cache
from typing import Any

import numpy as np
import polars as pl

from dashboards.figures.packing import Group, group_points, reduce_columns
from dashboards.links import to_datetime
from dashboards.queries.session.brake_runs import whole_runs
from dashboards.queries.session.second_recorder import (
    best_spans,
    finest_first,
    quick_streams,
    spliced_rows,
    stretches_of,
    usual_step_s,
    with_quick_points,
)
from dashboards.queries.session.sessions import Outline, outline
from replay.archive import Archive
from replay.units import SESSION_QUANTITIES, TIME, channel

NUMBERS = (
    "angle_deg", "angle_cmd_deg", "rate_deg_s", "rate_cmd_deg_s", "current_a",
    "current_target_a", "torque_nm", "temperature_c",
)  # fmt: skip
BRAKES = ("brake_engaged", "brake_engage_cmd")
MOST_COLUMNS = 6000
MOST_EXACT = 20_000
"""Rows of one answer with exact samples."""
MEASURE_SCHEMA: dict[str, Any] = {
    "joint": pl.String,
    "quantity": pl.String,
    **dict.fromkeys(
        ("first", "second", "difference", "slope", "mean", "integral", "least", "greatest"),
        pl.Float64,
    ),
    "n": pl.Int64,
}
"""The table of a measure; ``slope`` per second, ``integral`` over seconds."""


def logged_window(
    archive: Archive,
    found: Outline,
    start_s: float,
    end_s: float,
    columns: int,
    joints: list[str],
) -> list[Group]:
    """Return the logged numbers of a window, at most two values a column."""
    columns = min(max(columns, 16), MOST_COLUMNS)
    names = [channel(j, q) for j in joints for q in NUMBERS if found.has(j, q)]
    start_ns, end_ns = _bounds_ns(found, start_s, end_s)
    points = archive.window(
        found.session,
        names,
        to_datetime(start_ns),
        to_datetime(end_ns),
        max_points=2 * columns,
    )
    points, usual_s = with_quick_points(archive, found, points, start_ns, end_ns, 2 * columns)
    groups = group_points(
        points, zero_ns=found.zero_ns, start_ns=start_ns, end_ns=end_ns, columns=columns
    )
    # neighbours are as far apart as the slower recorder's: no gap where the quick one ends
    return [replace(g, step_s=max(g.step_s, usual_s)) for g in groups]


def exact(
    archive: Archive, found: Outline, start_s: float, end_s: float, joints: list[str]
) -> list[Group]:
    """Return every sample of ``[start, end)``, a group a stream.

    Brake channels come as 1 (engaged), 0 (released) and NaN (not said).
    """
    start_ns, end_ns = _bounds_ns(found, start_s, end_s)
    wanted = {channel(j, q) for j in joints for q in (*NUMBERS, *BRAKES)}
    groups: list[Group] = []

    def rows(stream: str, names: list[str]) -> pl.DataFrame:
        start, end = to_datetime(start_ns), to_datetime(end_ns)
        seen = archive.samples(found.session, stream=stream, channels=names, start=start, end=end)
        return seen.head(MOST_EXACT).collect()

    quick = quick_streams(found.record, sorted(wanted))
    shown: set[str] = set()
    for stream, held in found.record.channels.items():
        names = [n for n in held if n in wanted and n not in shown]
        shown |= set(names)
        for second, shared in [*quick.items(), ("", names)]:
            mine = [n for n in names if n in shared]
            names = [n for n in names if n not in mine]
            if not mine:
                continue
            frame = rows(stream, mine)
            usual_s = usual_step_s(frame[TIME].to_physical().to_numpy())
            if second and second != stream:
                edges = stretches_of(archive, found.session, second)
                frame = spliced_rows(frame, rows(second, mine), edges)
            t_s = (frame[TIME].dt.epoch("ns").to_numpy() - found.zero_ns) / 1e9
            values = {n: frame[n].cast(pl.Float32).to_numpy() for n in mine}
            group = reduce_columns(t_s, values, 0.0, 1.0, 2 * MOST_EXACT + 1)
            groups.append(replace(group, step_s=max(group.step_s, usual_s)))
    return groups


def runs(archive: Archive, session: str) -> dict[str, Any]:
    """Return the whole session's runs of brakes and of the session's own words.

    ``{channel: {"t": [start_s…, end_s], "v": [value…]}}`` where run i goes
    from ``t[i]`` to ``t[i + 1]``. Brakes are 1, 0 or -1 (not said); phase,
    base end, payload and person are words or numbers, None where not said.
    """
    return _runs(archive, session)


@lru_cache(maxsize=16)
def _runs(archive: Archive, session: str) -> dict[str, Any]:
    found = outline(archive, session)
    brakes = [channel(j, q) for j in found.record.joints for q in BRAKES if found.has(j, q)]
    words = [q for q in SESSION_QUANTITIES if q in found.logged]
    made: dict[str, Any] = {}
    for name in (*brakes, *words):
        spans = (whole_runs if name in brakes else best_spans)(archive, found.record, name)
        if not spans.height:
            continue
        start = spans["start"].dt.epoch("ns").to_numpy()
        end = spans["end"].dt.epoch("ns").to_numpy()[-1:]
        edges = (np.concatenate([start, end]) - found.zero_ns) / 1e9
        value = spans["value"]
        if name in brakes:
            value = value.cast(pl.Int8).fill_null(-1)
        made[name] = {"t": np.round(edges, 6).tolist(), "v": value.to_list()}
    return made


def span_table(
    archive: Archive, found: Outline, start_s: float, end_s: float, joints: list[str]
) -> pl.DataFrame:
    """Return the logged samples of a span as one table, for keeping.

    The main stream's instants, and other streams' channels at the last
    sample before (no older than ten of their own steps).
    """
    start_ns, end_ns = _bounds_ns(found, start_s, end_s)
    main: pl.DataFrame | None = None
    for stream, held in finest_first(archive, found, start_ns, end_ns):
        had = set() if main is None else set(main.columns)
        names = [n for n in held if "." not in n or n.rpartition(".")[0] in joints]
        names = [n for n in names if n not in had]
        if not names:
            continue
        frame = archive.samples(
            found.session,
            stream=stream,
            channels=names,
            start=to_datetime(start_ns),
            end=to_datetime(end_ns),
        ).collect()
        if main is None:
            main = frame
        elif frame.height > 1:
            step_ns = float(np.median(np.diff(frame[TIME].dt.epoch("ns").to_numpy())))
            within = timedelta(microseconds=step_ns / 100)
            main = main.join_asof(frame, on=TIME, strategy="backward", tolerance=within)
    return pl.DataFrame({TIME: []}) if main is None else main


def measure(
    archive: Archive, found: Outline, first_s: float, second_s: float, joints: list[str]
) -> list[dict[str, Any]]:
    """Compare the samples at two instants, and what lies between them.

    For each joint's numbers: ``first`` and ``second`` (the samples nearest
    inside), ``difference``, ``slope`` per second (least squares), ``mean``,
    ``integral`` over seconds (trapezes between samples), ``least``,
    ``greatest`` and ``n``.
    """
    low, high = sorted((first_s, second_s))
    start_ns, end_ns = _bounds_ns(found, low, high + 2e-6)
    rows: list[dict[str, Any]] = []
    told: set[str] = set()
    for stream, held in finest_first(archive, found, start_ns, end_ns):
        wanted = [n for n in held if n.rpartition(".")[2] in NUMBERS and n not in told]
        names = [n for n in wanted if n.rpartition(".")[0] in joints]
        told |= set(names)
        if not names:
            continue
        t = (pl.col(TIME).dt.epoch("ns") - found.zero_ns) / 1e9
        sums = (
            archive.samples(
                found.session,
                stream=stream,
                channels=names,
                start=to_datetime(start_ns),
                end=to_datetime(end_ns),
            )
            .select(pl.struct(_measures(n, t)).alias(n) for n in names)
            .collect()
            .to_dicts()[0]
        )
        for name in names:
            joint, _, quantity = name.rpartition(".")
            found_here = sums[name]
            if not found_here["n"]:
                continue
            if first_s > second_s:
                found_here["first"], found_here["second"] = (
                    found_here["second"],
                    found_here["first"],
                )
            found_here["difference"] = found_here["second"] - found_here["first"]
            rows.append({"joint": joint, "quantity": quantity, **found_here})
    return rows


def _measures(name: str, seconds: pl.Expr) -> list[pl.Expr]:
    known = pl.col(name).cast(pl.Float64).is_finite()
    v = pl.col(name).cast(pl.Float64).filter(known)
    t = seconds.filter(known)
    trapezes = (t - t.shift(1)) * (v + v.shift(1)) / 2
    return [
        v.first().alias("first"),
        v.last().alias("second"),
        (pl.cov(t, v) / t.var()).fill_nan(None).alias("slope"),
        v.mean().alias("mean"),
        trapezes.sum().alias("integral"),
        v.min().alias("least"),
        v.max().alias("greatest"),
        v.len().alias("n"),
    ]


def _bounds_ns(found: Outline, start_s: float, end_s: float) -> tuple[int, int]:
    """Return whole microseconds around a window, as ns since 1970."""
    start = int(np.floor(start_s * 1e6)) * 1000
    end = int(np.ceil(max(end_s, start_s + 1e-6) * 1e6)) * 1000
    return found.zero_ns + start, found.zero_ns + end
