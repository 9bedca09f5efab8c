"""Which indicators are withheld of a unit, each with the reason."""

from __future__ import annotations

from typing import Protocol

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

LEFT_OF_POSTURE = ("friction at usual rate",)
"""What is given where the current follows posture: the mean of both directions, in which
what adds to one and takes from the other cancels."""

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
    """Return the indicators that are withheld for a unit, each with the reason.

    Where friction cannot be told at all, that is the reason: how far the current follows
    posture is then not known either.
    """
    if reference.friction_told and reference.posture_told:
        return {}
    if reference.friction_told:
        why = (
            "the current follows posture or what is carried, and no arm file tells that load: "
            "it would pass for friction"
        )
        return {name: why for name in OF_CURRENT if name not in LEFT_OF_POSTURE}
    why = (
        "friction cannot be told from load: a direction was not seen, or motions or directions "
        "differ more"
    )
    if reference.posture_told:
        return dict.fromkeys(FRICTION, why)
    return dict.fromkeys(OF_CURRENT, f"{why}, and no arm file tells that load")
