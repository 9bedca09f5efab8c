"""Margin left by a mechanism rule: the figure on which a replacement is planned.

``available / required - 1`` with what the motor's current limit can give
against what friction, measured in this session, and the unit's hardest
acceleration and load take, each with the rule's factor (`replay.arm.margins`).
All are motor currents, so gear ratio, torque constant and losses, which would
stand on both sides, are not needed. The friction was measured in operation;
it is a measured figure only for the conditions of these sessions.
"""

from __future__ import annotations

from collections.abc import Sequence

from replay.arm.description import Joint
from replay.arm.margins import MarginRule, margin
from replay.wear.measures.measure import Measure, measure
from replay.wear.reference.model import Reference


def margin_measure(
    found: Sequence[Measure], reference: Reference, joint: Joint | None, rule: MarginRule
) -> Measure | None:
    """Return the margin in percent; None without a current limit or friction.

    Parameters
    ----------
    found : sequence of Measure
        The session's friction measures.
    reference : Reference
    joint : Joint or None
    rule : MarginRule
    """
    if joint is None or joint.current_limit_a is None:
        return None
    friction = next((m for m in found if m.indicator == "friction at usual rate"), None)
    if friction is None or friction.value <= 0:
        return None

    def needed(friction_a: float) -> float:
        return rule.needed_nm(
            {"friction": friction_a},
            acceleration_nm=reference.drive_current_a,
            measured=("friction",),
        )

    required = needed(friction.value)
    value = 100 * margin(joint.current_limit_a, required)
    per_ampere = needed(friction.value + 1.0) - required
    error = 100 * joint.current_limit_a / required**2 * per_ampere * friction.se
    return measure("margin left", value, error, friction.n, friction.at)
