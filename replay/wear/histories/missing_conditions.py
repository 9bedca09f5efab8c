"""Conditions that a session did not log: what its neighbours say, and how far off that may be.

A session without a temperature was held to be at the usual one. Where seasons move friction
by a tenth and a sensor is broken for months, that is an error which neighbours share and no
interval knew of. A condition is instead taken as a year's course and a part that neighbours
share and that fades with time (kriging: N. A. C. Cressie, *Statistics for Spatial Data*
(1993), ch. 3), how much and how long by the restricted likelihood; what is left open, times
what the condition does to the value, is the session's own error.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from replay.statistics.regression import least_squares
from replay.statistics.shared_offsets import offset_precision
from replay.statistics.spread import winsorized

Floats = npt.NDArray[np.float64]

SHARES = (0.3, 0.6, 0.9, 0.97)
STAYS = (2.0, 8.0, 30.0)
"""Shares of a condition's variance that neighbours have in common, and how many usual gaps
these stay."""

FEWEST = 8
"""Fewer logged sessions say nothing about others."""


def filled(
    years: Floats, values: Floats, conditions: Mapping[str, Floats]
) -> tuple[dict[str, Floats], Floats]:
    """Return conditions without gaps, and the variance of values for what was filled in.

    Parameters
    ----------
    years, values : array of shape (n,), in order of time
    conditions : mapping of str to array of shape (n,)
        NaN where not logged. Conditions logged in fewer than half of the sessions, or in
        fewer than `FEWEST`, stay as they are.

    Returns
    -------
    conditions : dict of str to array of shape (n,)
    variance : array of shape (n,)
        In the square of the values' unit; nought for sessions that logged all.
    """
    whole: dict[str, Floats] = {}
    open_variance = np.zeros(len(values))
    for name, raw in conditions.items():
        known = np.isfinite(raw)
        whole[name] = raw
        if known.all() or known.sum() < max(FEWEST, len(raw) / 2) or np.ptp(raw[known]) <= 0:
            continue
        whole[name], error = _kriged(years, raw, known)
        effect = _effect(years[known], values[known], raw[known])
        open_variance = open_variance + effect**2 * error
    return whole, open_variance


def _effect(years: Floats, values: Floats, condition: Floats) -> float:
    """Return what the condition does to the values, roughly, beside a course in time."""
    t = (years - years.mean()) / (float(np.ptp(years)) or 1.0)
    x = condition - condition.mean()
    design = np.column_stack([np.ones(len(t)), t, t * t, x])
    return float(least_squares(design, winsorized(values))[-1])


def _kriged(years: Floats, raw: Floats, known: npt.NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Return a condition with its gaps filled in, and the variance of each filled value."""
    from scipy.linalg import cho_solve_banded, cholesky_banded

    n, span = len(raw), float(np.ptp(years))
    spread = float(np.std(raw[known]))
    y = np.where(known, (raw - float(np.mean(raw[known]))) / spread, 0.0)
    turn = 2 * np.pi * years
    design = np.column_stack([np.ones(n), np.sin(turn), np.cos(turn)])
    seen = known.astype(float)
    gaps = np.maximum(np.diff(years), 1e-6 * span)
    both = np.column_stack([design, y]) * seen[:, None]
    ridge = np.diag([1e-9, 1.0, 1.0])  # a season of about the condition's own spread
    best, found = np.inf, (y, np.ones(n))
    for stay in STAYS:
        precision, log_precision = offset_precision(gaps, stay * span / (n - 1))
        for share in SHARES:
            ratio = share / (1 - share)
            inner = precision / ratio
            inner[1] += seen
            root = cholesky_banded(inner, check_finite=False)
            inverse = both - cho_solve_banded((root, False), both, check_finite=False)
            inverse = inverse * seen[:, None]
            products = both.T @ inverse
            # the noise's variance is 1 - share of the condition's, whose square is 1
            normal = products[:3, :3] + (1 - share) * ridge
            solution = np.linalg.solve(normal, products[:3, 3])
            left = max(float(products[3, 3] - products[:3, 3] @ solution), 1e-12)
            freedom = float(seen.sum()) - 1
            worse = (
                freedom * np.log(left)
                + 2 * np.log(root[1]).sum()
                + n * np.log(ratio)
                - log_precision
                + np.linalg.slogdet(normal)[1]
            )
            if worse < best:
                best = float(worse)
                course = design @ solution
                carried = cho_solve_banded((root, False), seen * (y - course), check_finite=False)
                noise = left / freedom
                unknown = noise * (1 + ratio * _not_carried(years, known, stay * span / (n - 1)))
                found = course + carried, unknown
    estimate = float(np.mean(raw[known])) + spread * found[0]
    return np.where(known, raw, estimate), np.where(known, 0.0, spread**2 * found[1])


def _not_carried(years: Floats, known: npt.NDArray[np.bool_], stay: float) -> Floats:
    """Return the share of what fades that the logged sessions on both sides leave open."""
    at = np.flatnonzero(known)
    place = np.searchsorted(at, np.arange(len(years)))
    before = np.where(place > 0, years - years[at[np.maximum(place - 1, 0)]], np.inf)
    after = np.where(place < len(at), years[at[np.minimum(place, len(at) - 1)]] - years, np.inf)
    a, b = np.exp(-2 * before / stay), np.exp(-2 * np.abs(after) / stay)
    return np.asarray((1 - a) * (1 - b) / np.maximum(1 - a * b, 1e-12), dtype=float)
