"""Drag: what a brake that still rubs costs in the seconds after its release.

Drag is motor current beyond the expected one, against the motion, while the
brake is released. It adds to Coulomb friction, not to viscous, so it is about
the same at any rate; what grows with the rate is something else. The expected
current comes from the caller (a baseline, a friction curve): this room knows
of no models.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import polars as pl

from replay.signals.brakes.brake_events import changes
from replay.signals.joint_signals import JointSignals, signals_of
from replay.statistics.noise import Array
from replay.statistics.spread import error_of_median

AFTER_S = 3.0
"""How long after the first motion that follows a release drag is looked for."""
CLEAR_S = 6.0
"""From so long after that motion began, a brake that dragged rubs no more
(common practice, no source)."""
LEAST_ROWS = 3
"""A log of one sample a second has no more of them in `AFTER_S`."""

DRAG_SCHEMA: dict[str, pl.DataType] = {
    "time": pl.Datetime("ns", "UTC"),  # of the release's word
    "rate_low_deg_s": pl.Float64(),  # the band of |rate| that the row is about
    "rate_high_deg_s": pl.Float64(),
    "drag_a": pl.Float64(),  # median of the current beyond the expected, against the motion
    "drag_se_a": pl.Float64(),
    "n": pl.Int64(),
    "later_a": pl.Float64(),  # the same, in the same band, after `CLEAR_S`
}
"""Columns of `release_drag`."""


def release_drag(
    table: pl.DataFrame | JointSignals,
    expected_a: Array,
    *,
    after_s: float = AFTER_S,
    bands: int = 3,
) -> pl.DataFrame:
    """Return the drag after each release, by rate; columns of `DRAG_SCHEMA`.

    Parameters
    ----------
    table : DataFrame or JointSignals
        A joint table.
    expected_a : (n,) array
        Expected current of each row, NaN where there is none.
    after_s : float
        Seconds of motion after a release that are looked at.
    bands : int
        Bands of |rate|, each with as many of the session's moving rows.

    Notes
    -----
    The standard error takes rows within a quarter of a second as one.
    """
    a = signals_of(table)
    beyond = a.direction * (a.current_a - np.asarray(expected_a, dtype=float))
    used = a.moving & np.isfinite(beyond) & np.isfinite(a.rate_deg_s)
    rows: list[dict[str, object]] = []
    if used.any():
        size = np.abs(a.rate_deg_s)
        edges = np.quantile(size[used], np.linspace(0, 1, bands + 1))
        band = np.clip(np.searchsorted(edges, size, side="right") - 1, 0, bands - 1)
        for first, stop in _releases(a):
            rows += _after(a, first, stop, beyond, used, band, edges, after_s)
    return pl.DataFrame(
        {name: [r[name] for r in rows] for name in DRAG_SCHEMA}, schema=DRAG_SCHEMA, strict=False
    )


def since_release_s(table: pl.DataFrame | JointSignals) -> Array:
    """Return how long the joint had moved since its brake was released.

    Parameters
    ----------
    table : DataFrame or JointSignals
        A joint table.

    Returns
    -------
    (n,) array
        Seconds since the first moving row after the last release; infinite in rows
        that no release in the log comes before, NaN from an engagement to that row.
    """
    a = signals_of(table)
    since = np.full(len(a.t_s), np.inf)
    spans = _releases(a)
    if spans:
        since[spans[0][0] :] = np.nan
    for first, stop in spans:
        moved = np.flatnonzero(a.moving[first:stop])
        if len(moved):
            begin = first + int(moved[0])
            since[begin:stop] = a.t_s[begin:stop] - a.t_s[begin]
    return since


def _releases(a: JointSignals) -> list[tuple[int, int]]:
    """Return the rows from each release up to the engagement after it (not included)."""
    word = a.brake_engaged if (a.brake_engaged >= 0).any() else a.brake_engage_cmd
    turns = changes(word)
    spans = pairwise([*turns, (len(a.t_s), -1)])
    return [(first, stop) for (first, state), (stop, _) in spans if state == 0]


def _after(
    a: JointSignals,
    k: int,
    stop: int,
    beyond: Array,
    used: np.ndarray,
    band: np.ndarray,
    edges: Array,
    after_s: float,
) -> list[dict[str, object]]:
    moved = np.flatnonzero(used[k:stop])
    if not len(moved):
        return []
    since = a.t_s[k:stop] - a.t_s[k + moved[0]]
    index = np.arange(k, stop)
    early, late = used[k:stop] & (since <= after_s), used[k:stop] & (since > CLEAR_S)
    together = max(0.25 / a.step_s, 1.0) if a.step_s > 0 else 1.0
    out = []
    for number in range(len(edges) - 1):
        mine = band[index] == number
        now, then = beyond[index[mine & early]], beyond[index[mine & late]]
        if len(now) < LEAST_ROWS:
            continue
        out.append(
            {
                "time": a.times()[k],
                "rate_low_deg_s": float(edges[number]),
                "rate_high_deg_s": float(edges[number + 1]),
                "drag_a": float(np.median(now)),
                "drag_se_a": error_of_median(now, max(len(now) / together, 1.0)),
                "n": len(now),
                "later_a": float(np.median(then)) if len(then) >= LEAST_ROWS else None,
            }
        )
    return out
