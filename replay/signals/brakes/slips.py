"""Did a joint move while its brake was engaged? Apart from noise and flexing.

A stretch is the time from an engagement to the next release, less `SETTLE_S`
at its start. Slip is a displacement that stays: the difference between the
middle angles of the stretch's ends, against their noise and how the angle
wanders in between; its size is that which flags tell. Excursion is the largest way from where the
stretch began, whether it stays or not, against noise and against how the angle
usually moves about in the stretch; an excursion that comes back is *returned*:
the brake gave way and held again. What moves with the load and would come back
with it is flexing, and taken off where loads are known and differ. The largest change of place that
lasts a while (``moved_deg``, `replay.signals.brakes.displacements`) is what flags judge;
wear and pages judge what stays and the excursion. None measures its own.

A joint that was not commanded may slip when its neighbour is stopped by its
brake; `neighbour_slips` looks there.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from replay.signals.brakes.displacements import SETTLE_S, Displacement, displacements
from replay.signals.brakes.slip_size import size_as_flagged
from replay.signals.joint_signals import JointSignals, signals_of
from replay.statistics.noise import Array
from replay.statistics.noise import resolution as finest_step
from replay.statistics.runs import runs
from replay.statistics.spread import MEDIAN_TO_MEAN_ERROR, spread

LEAST_S = 2.0
END_SHARE = 0.2
"""The share of a stretch that each of its two ends takes, at most `END_S`."""
END_S = 5.0
SIGMAS = 6.0
PARTS = 16
MOST_FLEX_DEG = 2.0
"""No drive bends by more under its whole load (common practice, no source). Under gravity the load
follows the angle that slips, and such a slip looks like a drive that bends by 57 deg times the
tangent of the way to where the joint would hang: by more than this from 2 deg on."""
MOST_TURNED = 0.2
"""Share of the whole way that a slip may seem to turn back or overshoot, for noise."""

SLIP_SCHEMA: dict[str, pl.DataType] = {
    "start": pl.Datetime("ns", "UTC"),
    "end": pl.Datetime("ns", "UTC"),
    "held_s": pl.Float64(),
    "slip_deg": pl.Float64(),  # what stays, signed
    "slip_se_deg": pl.Float64(),
    "excursion_deg": pl.Float64(),  # the largest way from the start, flexing included
    "excursion_se_deg": pl.Float64(),
    "excursion_at": pl.Datetime("ns", "UTC"),
    "flex_deg_per_nm": pl.Float64(),  # null where the load did not differ
    "slip_at": pl.Datetime("ns", "UTC"),  # when half of it was done
    "load_max_nm": pl.Float64(),
    "moved_deg": pl.Float64(),  # largest lasting change of place, signed; may come back
    "moved_se_deg": pl.Float64(),
    "moved_from": pl.Datetime("ns", "UTC"),
    "moved_to": pl.Datetime("ns", "UTC"),
    "status": pl.String(),  # slip | returned | held | too short | no angle
}
"""Columns of `held_stretches`."""


def held_stretches(table: pl.DataFrame | JointSignals) -> pl.DataFrame:
    """Return one row per stretch with the brake engaged; columns of `SLIP_SCHEMA`."""
    a = signals_of(table)
    times = a.times()
    resolution = finest_step(a.angle_deg[np.isfinite(a.angle_deg)])
    rows = []
    measured = displacements(a.t_s, a.angle_deg, a.brake_engaged == 1, a.step_s)
    for first, stop in stretches(a.brake_engaged):
        here = [d for d in measured if first <= d.first_row < stop]
        row: dict[str, object] = {
            "start": times[first],
            "end": times[stop - 1],
            "held_s": float(a.t_s[stop - 1] - a.t_s[first]),
            "load_max_nm": _largest(a.load_nm[first:stop]),
            **(_moved(max(here, key=lambda d: d.size_deg), times) if here else {}),
        }
        seen = _stretch(a, first, stop, resolution, times)
        if here and seen["status"] == "slip":
            seen |= size_as_flagged(a, seen, max(here, key=lambda d: d.size_deg))
        rows.append({**row, **seen})
    return frame_of(rows, SLIP_SCHEMA)


def _moved(found: Displacement, times: pl.Series) -> dict[str, object]:
    return {
        "moved_deg": found.moved_deg,
        "moved_se_deg": found.se_deg,
        "moved_from": times[found.begin_row],
        "moved_to": times[found.end_row],
    }


def stretches(engaged: NDArray[np.int8]) -> list[tuple[int, int]]:
    """Return (first row, row after the last) of each run of 1; unknown rows do not end a run."""
    known = np.flatnonzero(engaged >= 0)
    if not len(known):
        return []
    return [(int(known[i]), int(known[j - 1]) + 1) for i, j in runs(engaged[known] == 1)]


def _stretch(
    a: JointSignals, first: int, stop: int, resolution: float, times: pl.Series
) -> dict[str, Any]:
    begin = int(np.searchsorted(a.t_s, a.t_s[first] + SETTLE_S))
    known = np.isfinite(a.angle_deg[begin:stop])
    if not np.isfinite(a.angle_deg[first:stop]).any():
        return {"status": "no angle"}
    if begin >= stop or known.sum() < 6 or a.t_s[stop - 1] - a.t_s[begin] < LEAST_S:
        return {"status": "too short"}
    index = np.arange(begin, stop)[known]
    t_s, angle, load = a.t_s[index], a.angle_deg[index], a.load_nm[index]
    angle, flex = _without_flex(angle, load)
    length = min(END_SHARE * (t_s[-1] - t_s[0]), END_S)
    head, tail = t_s <= t_s[0] + length, t_s >= t_s[-1] - length
    noise = max(a.angle_noise_deg, resolution / np.sqrt(12))
    before, after = float(np.median(angle[head])), float(np.median(angle[tail]))
    # a slip under way in an end is no wandering: one way, and it stays
    one_way = _goes_one_way(running_median(angle), after)
    wander = 0.0 if one_way else max(wandering_deg(angle[head]), wandering_deg(angle[tail]))
    error = float(np.sqrt(1.57 * noise**2 * (1 / head.sum() + 1 / tail.sum()) + wander**2))
    slip = after - before
    row: dict[str, Any] = {
        "slip_deg": slip,
        "slip_se_deg": error,
        "flex_deg_per_nm": flex,
        "status": "held",
    } | _excursion(
        angle, running_median(a.angle_deg[index]) - a.angle_deg[index][0], noise, resolution
    )
    row["excursion_at"] = times[int(index[row["excursion_at"]])]
    if abs(slip) <= max(SIGMAS * error, 1.5 * resolution):
        return row
    # a slow creep is still under way in the ends: size it between their outer edges
    edge = max(5, min(int(head.sum()), int(tail.sum())) // 10)
    sized = float(np.median(angle[-edge:]) - np.median(angle[:edge]))
    sized_error = float(noise * np.sqrt(2 * 1.57 / edge))
    if abs(sized) <= max(0.5 * SIGMAS * sized_error, 1.5 * resolution):
        return row
    half = (running_median(angle) - before) * np.sign(sized) > abs(sized) / 2
    row["slip_deg"] = sized
    row["slip_se_deg"] = sized_error
    row["slip_at"] = times[int(index[int(np.argmax(half))])]
    row["status"] = "slip"
    row["edge"] = edge
    return row


def _excursion(angle: Array, logged: Array, noise: float, resolution: float) -> dict[str, Any]:
    """Return the largest way from the start, its error and its row.

    ``angle`` is without flexing and decides whether it counts; ``logged`` gives
    the size, flexing included. The error adds to the noise how far the middles of
    sixteen parts usually stand apart: what moves all the time is no excursion.
    """
    parts = [float(np.median(p)) for p in np.array_split(angle, PARTS) if len(p)]
    usual = spread(parts)
    error = float(np.hypot(MEDIAN_TO_MEAN_ERROR * noise / np.sqrt(3), usual))
    away = np.abs(running_median(angle) - float(np.median(angle[: max(3, len(angle) // 50)])))
    at = int(np.argmax(away))
    gave_way = away[at] > max(SIGMAS * max(error, noise), 1.5 * resolution)
    return {
        "excursion_deg": float(np.max(np.abs(logged))),
        "excursion_se_deg": error,
        "excursion_at": at,
        "status": "returned" if gave_way else "held",
    }


def _goes_one_way(calm: Array, after: float) -> bool:
    """Tell whether the angle goes to where it ends without turning back or overshooting.

    What rings overshoots its end, what wanders turns back; what slips does
    neither. Judged in shares of the whole way.
    """
    edge = max(3, len(calm) // 50)
    start = float(np.median(calm[:edge]))
    if after == start:
        return False
    share = (calm - start) / (after - start)
    turned_back = float(np.max(np.maximum.accumulate(share) - share))
    return turned_back < MOST_TURNED and float(np.max(share)) < 1 + MOST_TURNED


def _without_flex(angle: Array, load: Array) -> tuple[Array, float | None]:
    """Take off what follows the load, where most of the movement between neighbours does.

    The compliance is judged on differences, so that a step that stays does not
    pass for flexing; one that no drive has (`MOST_FLEX_DEG`) is none: there the
    load followed the angle.
    """
    if not np.isfinite(load).all() or np.ptp(load) <= 0 or len(load) < 30:
        return angle, None
    lag = max(1, len(load) // 15)
    by, of = load[lag:] - load[:-lag], angle[lag:] - angle[:-lag]
    power = float(by @ by)
    if power <= 0:
        return angle, None
    slope = float(by @ of) / power
    if abs(slope) * float(np.max(np.abs(load))) > MOST_FLEX_DEG:
        return angle, None
    left = of - slope * by
    if float(left @ left) > 0.5 * float(of @ of):
        return angle, None
    return angle - slope * (load - load[0]), slope


def wandering_deg(angle: Array) -> float:
    """Return how far the middle of a stretch moves within it: flexing and slow drift."""
    parts = [float(np.median(p)) for p in np.array_split(angle, 4) if len(p)]
    return float(np.std(parts)) if len(parts) > 1 else 0.0


def running_median(angle: Array) -> Array:
    """Return the running middle of three, which a single wild sample does not move."""
    if len(angle) < 3:
        return angle
    inner = np.median(np.stack([angle[:-2], angle[1:-1], angle[2:]]), axis=0)
    out: Array = np.concatenate([inner[:1], inner, inner[-1:]])
    return out


def _largest(values: Array) -> float | None:
    known = np.abs(values[np.isfinite(values)])
    return float(known.max()) if len(known) else None


def frame_of(rows: list[dict[str, object]], schema: Mapping[str, pl.DataType]) -> pl.DataFrame:
    """Return rows as a table with a schema's columns and types."""
    columns = {name: [row.get(name) for row in rows] for name in schema}
    return pl.DataFrame(columns, schema=dict(schema), strict=False)
