"""Whether friction can be told from load."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from replay.wear.measures.measure import Floats
from replay.wear.measures.motions import Motions

FOLLOWS = 0.06
"""Share of the friction by which the difference of the directions may vary between
sessions, and motions may scatter, where no column tells the load: what depends on posture,
or is carried, adds to one direction and takes from the other, friction does not. Generated
joints without load kept 0.004 to 0.012; of fifty under gravity the least moved kept 0.08,
where the angle did not explain it."""


def direction_levels(m: Motions, left: Floats) -> list[float]:
    """Return the usual friction of each direction that was seen, A.

    Parameters
    ----------
    m : Motions
        Of all sessions that the reference model rests on.
    left : array of shape (chunks,)
        What the shared curve leaves of the current, A.
    """
    return [
        float(np.median(sign * left[m.direction == sign]))
        for sign in (1.0, -1.0)
        if (m.direction == sign).any()
    ]


def friction_is_told(levels: Sequence[float], motion_spread_a: float, lean_a: float) -> bool:
    """Tell whether both directions were seen, each costs current, and more than motions differ.

    Parameters
    ----------
    levels : sequence of float
        As `direction_levels` gives them.
    motion_spread_a : float
        How motions scatter.
    lean_a : float
        By how much the directions differ in a usual session. The levels of all sessions
        together may both be above nought where in no session both are: then load is
        larger than friction, and the mean of the directions is no friction either.
    """
    if len(levels) < 2 or min(levels) <= 0:
        return False
    return sum(levels) / 2 > max(motion_spread_a, abs(lean_a) / 2)


def posture_is_told(levels: Sequence[float], names: Sequence[str], lean_spread_a: float) -> bool:
    """Tell whether load was known to the fit, or the current hardly depends on it.

    ``names`` are the curve's columns; ``lean_spread_a`` is as `Reference` has it.
    """
    if "load" in names:
        return True
    friction = float(np.mean(levels)) if levels else 0.0
    return "sine" not in names and lean_spread_a <= FOLLOWS * friction
