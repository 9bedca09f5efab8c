"""A joint that pushes and does not go: far behind its command, current far up.

A joint that is held back shows both at once, which a healthy one never does
once it is under way; either alone has other causes (a sensor, drag).
"""

from __future__ import annotations

import numpy as np

from replay.models.bins import HELD, MOVING, Floats, Ints
from replay.models.expected import ExpectedCurrent
from replay.models.trace import Statistic, Trace, rolling_mean

WINDOW_S = 2.0
LEAST_LAG = 0.15
"""Less behind its command than this is the servo's own."""

LEAST_ASKED = 0.03
"""Commands below this share of the usual are no motion that could fail."""

MOST_Z = 15.0


def pushes(trace: Trace, model: ExpectedCurrent) -> list[Statistic]:
    """Return excess current times the share of the command that is not obeyed."""
    bins = trace.bins
    asked = np.abs(np.nan_to_num(bins.rate_cmd))
    usual = asked[asked > 0]
    if usual.size < 10:
        return []
    rows = np.flatnonzero(
        (asked > LEAST_ASKED * np.quantile(usual, 0.9))
        & (bins.motion != HELD)
        & np.isfinite(bins.rate)
        & np.isfinite(bins.current)
    )
    if rows.size < 3:
        return []
    lag = np.clip(1.0 - bins.rate[rows] / bins.rate_cmd[rows], 0.0, 1.0)
    behind = lag > LEAST_LAG
    value = np.zeros(rows.size)
    if behind.any():
        more, sd = excess(trace, rows[behind], model)
        value[behind] = lag[behind] * np.clip(more / sd, 0.0, MOST_Z)
    mean = rolling_mean(value, trace.seconds[rows], WINDOW_S)
    return [Statistic(f"push {WINDOW_S:g}s", rows, mean, WINDOW_S)]


def excess(trace: Trace, rows: Ints, model: ExpectedCurrent) -> tuple[Floats, Floats]:
    """Compare the current with what the commanded (not the measured) rate needs.

    Returns
    -------
    excess : array, shape (n,)
        Current beyond that, in the commanded direction, A.
    sd : array, shape (n,)
        Its healthy spread, A.
    """
    asked = trace.bins.take(rows)
    sign = np.sign(asked.rate_cmd)
    asked.rate = asked.rate_cmd
    asked.direction = sign.astype(np.int64)
    asked.motion = np.full(len(asked), MOVING)
    asked.accel = np.zeros(len(asked))
    asked.accel_before = np.zeros(len(asked))
    expected, sd, _ = model.predict(asked)
    return np.asarray((asked.current - expected) * sign), sd
