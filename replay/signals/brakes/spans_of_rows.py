"""Time spans between two rows of a joint's signals, as the sampling allows them to be known."""

from __future__ import annotations

import numpy as np

from replay.signals.brakes.intervals import Span, span
from replay.signals.joint_signals import JointSignals


def run_up_s(a: JointSignals, moving: int, stop: int) -> float:
    """Return how long before the still band was left the joint may have begun to move."""
    ahead = min(int(np.searchsorted(a.t_s, a.t_s[moving] + 0.25)) + 1, stop - 1)
    if ahead <= moving:
        return 0.0
    accel = (abs(a.rate_deg_s[ahead]) - abs(a.rate_deg_s[moving])) / (a.t_s[ahead] - a.t_s[moving])
    return min(a.still_deg_s / accel, 0.5) if accel > 0 else 0.0


def between_rows(
    a: JointSignals, first: int, second: int, early_s: float = 0.0, late_s: float = 0.0
) -> Span:
    """Return the span between two rows; the second may lie so much outside its step."""
    return span(
        a.t_s[max(first - 1, 0)],
        a.t_s[first],
        a.t_s[max(second - 1, 0)] - early_s,
        a.t_s[second] + late_s,
    )


def spread_columns(name: str, found: Span) -> dict[str, object]:
    """Return a span as the columns of a quantity: bounds, value, status."""
    return {
        f"{name}_low_s": found.low_s,
        f"{name}_high_s": found.high_s,
        f"{name}_s": found.value_s,
        f"{name}_status": found.status,
    }
