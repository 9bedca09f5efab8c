"""How a joint follows what it was told: travel missing over windows of several lengths.

The following error is the angle less the integral of the commanded (or the
logged) rate. Only its change over a window is looked at, sorted into cells by
the window's length and by the travel that was due in it: a servo's lag, a slow
loop's droop and a worn clock are then in the cell's own centre and scale.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from replay.signatures.marks import Mark, Norm, Seen, best_per_minute
from replay.signatures.track import Flags, Floats, Track
from replay.statistics.spread import wide_spread

WINDOWS_S = (0.5, 1.0, 2.0, 4.0, 8.0)
MOST_LACKING = 1.1
"""Shares of the travel that was due: a joint that swings back lacks more, and is not held."""

LONG_S = (4.0, 16.0, 64.0)
"""Windows in which a joint is held back, and in which a sensor drifts: powers of two of a
half second, structure rather than settings."""


@dataclass(frozen=True, slots=True)
class Following:
    """Angle, and the travel that was due since the piece began, deg; NaN where unknown."""

    t_s: Floats
    angle_deg: Floats
    due_deg: Floats
    free: Flags


def following(track: Track, rate_deg_s: Floats) -> Following | None:
    """Integrate a rate beside the angle; None where there is no such rate.

    A lost row is bridged linearly, never held: a held value would lag.
    """
    known = np.isfinite(rate_deg_s)
    if known.sum() < 20 or np.isfinite(track.angle_deg).sum() < 20:
        return None
    t = track.t_s
    rate = rate_deg_s if known.all() else np.interp(t, t[known], rate_deg_s[known])
    step = np.diff(t, prepend=t[0])
    due = np.cumsum(step * 0.5 * (rate + np.concatenate((rate[:1], rate[:-1]))))
    return Following(t, track.angle_deg, due, ~track.braked)


def shortfalls(
    track: Track, name: str, rate: Floats, windows: tuple[float, ...], *, lacking: bool = False
) -> Seen:
    """Find windows whose travel is not what was due; ``lacking``: only less of it, never more.

    Returns
    -------
    Seen
        Marks named ``name``; raw is the travel that is missing in the
        direction that was due (negative: too much), deg.
    """
    found = following(track, rate)
    if found is None:
        return Seen((), {})
    marks: list[Mark] = []
    usual: dict[str, Norm] = {}
    top = max(track.top_deg_s, 1e-9)
    rate_at = np.nan_to_num(rate)
    lag_s = _lag(found, rate_at, max(2, round(1.0 / max(track.period_s, 1e-6))), top)
    for window in windows:
        width = max(2, round(window / max(track.period_s, 1e-6)))
        at = np.arange(0, found.t_s.size - width, max(1, width // 8))
        if at.size < 8:
            continue
        whole = found.t_s[at + width] - found.t_s[at]
        bound = np.concatenate(([0], np.cumsum(~found.free)))
        ok = (bound[at + width + 1] == bound[at]) & (whole < 1.5 * width * track.period_s)
        due = found.due_deg[at + width] - found.due_deg[at]
        went = found.angle_deg[at + width] - found.angle_deg[at]
        turned = rate_at[at + width] - rate_at[at]
        lag = lag_s if np.isfinite(lag_s) else 0.0
        missing = np.sign(due) * (due - went - lag * turned)
        ok &= np.isfinite(missing)
        size = np.abs(due) / (top * window)
        bins = np.clip(np.floor(np.log2(np.maximum(size, 2.0**-9))) + 5, -1, 5).astype(int)
        bins += 10 * (np.abs(turned) > 0.1 * top)
        for number in np.unique(bins[ok]):
            mine = np.flatnonzero(ok & (bins == number))
            values = missing[mine]
            centre = float(np.median(values)) if number % 10 < 9 else 0.0
            scale = wide_spread(values - centre)
            floor = max(0.3 * track.resolution_deg, 1e-9)
            cell = f"{window:g}s/{number}"
            if values.size >= 20:
                usual[cell] = (centre, max(scale, floor))
            if lacking:  # what is held back lacks no more than was due
                mine = mine[(values > 0) & (values < MOST_LACKING * np.abs(due[mine]))]
                values = missing[mine]
            for k in mine[np.argsort(-np.abs(values - centre))[:60]]:
                begin, end = float(found.t_s[at[k]]), float(found.t_s[at[k] + width])
                detail = {"due_deg": float(due[k]), "missing_deg": float(missing[k])}
                marks.append(Mark(name, cell, begin, end, float(missing[k]), detail))
    return Seen(best_per_minute(marks), usual)


def _lag(found: Following, rate: Floats, width: int, top: float) -> float:
    """Return by how long the angle trails what is due, s, as most changes of rate show it."""
    if found.t_s.size < 4 * width:
        return float("nan")
    at = np.arange(0, found.t_s.size - width, max(1, width // 4))
    turned = rate[at + width] - rate[at]
    missing = (found.due_deg[at + width] - found.due_deg[at]) - (
        found.angle_deg[at + width] - found.angle_deg[at]
    )
    good = (np.abs(turned) > 0.2 * top) & np.isfinite(missing) & found.free[at]
    if good.sum() < 10:
        return float("nan")
    return float(np.clip(np.median(missing[good] / turned[good]), 0.0, 3.0))
