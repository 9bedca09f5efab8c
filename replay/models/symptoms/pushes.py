"""A joint that pushes and does not go: far behind its command, current far up.

A joint that is held back shows both at once, which a healthy one never does
once it is under way; either alone has other causes (a sensor, drag).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from replay.models.bins import HELD, MOVING, Floats, Ints
from replay.models.expected import ExpectedCurrent
from replay.models.trace import Statistic, Trace, rolling_mean

Mask = npt.NDArray[np.bool_]

WINDOW_S = 2.0
LEAST_LAG = 0.15
"""Less behind its command than this is the servo's own."""

LEAST_ASKED = 0.03
"""Commands below this share of the usual are no motion that could fail."""

STEADY = 0.15
"""A command that changes by less than this share from bin to bin stands."""

NOISES = 8.0
"""A command of fewer spreads of the rate at rest cannot be seen to be obeyed."""

CRUISE_S = 0.7
MOST_Z = 15.0


def pushes(trace: Trace, model: ExpectedCurrent) -> list[Statistic]:
    """Return excess current times the share of the command that is not obeyed."""
    bins = trace.bins
    rows = np.flatnonzero(cruising(trace) & (bins.motion != HELD) & np.isfinite(bins.current))
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


def cruising(trace: Trace) -> Mask:
    """Return the bins before which the command has stood for a while, and is no trifle.

    A servo has caught up with such a command.
    """
    bins = trace.bins
    asked = np.abs(np.nan_to_num(bins.rate_cmd))
    if not (asked > 0).any():
        return np.zeros(asked.size, dtype=bool)
    usual = float(np.quantile(asked[asked > 0], 0.9))
    still = np.abs(bins.rate[(bins.motion != MOVING) & ~(asked > 0)])
    still = still[np.isfinite(still)]
    noise = 1.4826 * float(np.median(still)) if still.size else 0.0
    steady = np.abs(np.diff(bins.rate_cmd, prepend=np.nan)) < STEADY * asked
    good = (asked > max(LEAST_ASKED * usual, NOISES * noise)) & np.isfinite(bins.rate)
    for k in range(max(1, round(CRUISE_S / max(float(np.median(trace.seconds)), 1e-3)))):
        good[k:] &= steady[: steady.size - k]
    return good


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
