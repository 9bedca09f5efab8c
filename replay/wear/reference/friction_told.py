"""Whether friction can be told from load, and what is withheld where it cannot."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import numpy as np

from replay.wear.measures.measure import Floats
from replay.wear.measures.motions import Motions

LEANS = 0.06
"""Share of the friction by which the difference of the directions may vary between
sessions where no column tells the load: what depends on posture, or is carried, adds to
one direction and takes from the other, friction does not. Joints without load that we
made kept 0.004 to 0.007; of six under gravity the least moved kept 0.08."""

SCATTERS = 0.1
"""Share of the friction by which a session's motions may scatter where no column tells
the load (0.004 to 0.007 without load)."""


def friction_is_told(m: Motions, left: Floats, motion_spread_a: float) -> bool:
    """Tell whether both directions were seen, each costs current, and more than motions differ."""
    levels = _levels(m, left)
    return len(levels) == 2 and min(levels) > 0 and sum(levels) / 2 > motion_spread_a


def posture_is_told(
    m: Motions, left: Floats, names: Sequence[str], motion_spread_a: float, lean_spread_a: float
) -> bool:
    """Tell whether load was known to the fit, or the current hardly depends on it.

    Parameters
    ----------
    m : Motions
        Of all sessions that the reference model rests on.
    left : array of shape (chunks,)
        What the shared curve leaves of the current, A.
    names : sequence of str
        The columns of the curve.
    motion_spread_a, lean_spread_a : float
        How motions scatter, and how the difference of the directions does.
    """
    if "load" in names:
        return True
    friction = float(np.mean(_levels(m, left) or [0.0]))
    if "sine" in names or not friction > 0:
        return False
    return lean_spread_a <= LEANS * friction and motion_spread_a <= SCATTERS * friction


FRICTION = (
    "coulomb friction",
    "coulomb friction forward",
    "coulomb friction backward",
    "viscous friction forward",
    "viscous friction backward",
    "friction at usual rate",
    "direction asymmetry",
    "breakaway forward",
    "breakaway backward",
    "brake drag",
    "margin left",
)
"""Indicators that rest on friction."""

LEFT_OF_POSTURE = ("friction at usual rate", "backlash at reversals")
"""What is given where the current follows posture: the mean of both directions, in which
what adds to one and takes from the other cancels, and what no level enters."""

OF_CURRENT = (*FRICTION, "holding current", "residual spread", "ripple")


class Told(Protocol):
    """What a reference model says of how well friction can be told."""

    @property
    def friction_told(self) -> bool:
        """Whether friction can be told from load at all."""

    @property
    def posture_told(self) -> bool:
        """Whether the load was known, or matters little."""


def withheld(reference: Told) -> dict[str, str]:
    """Return the indicators that are withheld for a unit, each with the reason."""
    out: dict[str, str] = {}
    if not reference.friction_told:
        why = "friction cannot be told from load: a direction was not seen, or motions differ more"
        out |= dict.fromkeys(FRICTION, why)
    if not reference.posture_told:
        why = (
            "the current follows posture or what is carried, and no arm file tells that load: "
            "it would pass for friction"
        )
        out |= {name: why for name in OF_CURRENT if name not in LEFT_OF_POSTURE}
    return out


def _levels(m: Motions, left: Floats) -> list[float]:
    return [
        float(np.median(sign * left[m.direction == sign]))
        for sign in (1.0, -1.0)
        if (m.direction == sign).any()
    ]
