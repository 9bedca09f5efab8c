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


def friction_is_told(m: Motions, left: Floats, motion_spread_a: float, lean_a: float) -> bool:
    """Tell whether both directions were seen, each costs current, and more than motions differ.

    Parameters
    ----------
    m : Motions
        Of all sessions that the reference model rests on.
    left : array of shape (chunks,)
        What the shared curve leaves of the current, A.
    motion_spread_a : float
        How motions scatter.
    lean_a : float
        By how much the directions differ in a usual session. The levels of all sessions
        together may both be above nought where in no session both are: then load is
        larger than friction, and the mean of the directions is no friction either.
    """
    levels = _levels(m, left)
    if len(levels) < 2 or min(levels) <= 0:
        return False
    return sum(levels) / 2 > max(motion_spread_a, abs(lean_a) / 2)


def posture_is_told(m: Motions, left: Floats, names: Sequence[str], lean_spread_a: float) -> bool:
    """Tell whether load was known to the fit, or the current hardly depends on it.

    Parameters
    ----------
    m : Motions
        Of all sessions that the reference model rests on.
    left : array of shape (chunks,)
        What the shared curve leaves of the current, A.
    names : sequence of str
        The columns of the curve.
    lean_spread_a : float
        How the difference of the directions varies between sessions, or motions scatter:
        the larger.
    """
    if "load" in names:
        return True
    friction = float(np.mean(_levels(m, left) or [0.0]))
    return "sine" not in names and 0 < lean_spread_a <= FOLLOWS * friction


def _levels(m: Motions, left: Floats) -> list[float]:
    return [
        float(np.median(sign * left[m.direction == sign]))
        for sign in (1.0, -1.0)
        if (m.direction == sign).any()
    ]
