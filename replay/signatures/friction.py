"""Friction: the motion itself takes more, or less, than it did.

Shapes: the joint's own Coulomb friction again (with its speed, load and
temperature), the same growing from nothing, and an excess that goes with the
speed. Held still, with the brake engaged, nothing of it is left.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from replay.models.residuals import Floats, JointResiduals
from replay.signatures.kinds import Facts, Shape, Signature
from replay.signatures.marks import Mark
from replay.signatures.stall import SHORT, lacking


def coulomb(joint: JointResiduals) -> Mapping[str, Floats]:
    """Return the same excess at every speed, against the motion."""
    return {"plant": joint.regressors["sign"]}


def viscous(joint: JointResiduals) -> Mapping[str, Floats]:
    """Return an excess that goes with the speed."""
    return {"plant": joint.regressors["viscous"]}


def more(value: float) -> str:
    """Say an excess over the expected current; too short a motion tells none."""
    if not np.isfinite(value):
        return "another current than the expected"
    if value < 0:
        return f"{-value:.2f} A less than the expected"
    return f"{value:+.2f} A beyond the expected"


def ways(facts: Facts) -> str:
    """Say the excess in both directions of motion, where both were run."""
    parts = [
        f"{word} {facts.ampere[word]:+.2f} A"
        for word in ("forward", "backward")
        if np.isfinite(facts.ampere.get(word, np.nan))
    ]
    return f", {', '.join(parts)}" if parts else ""


def conditions(facts: Facts) -> str:
    """Say the usual current and the temperature."""
    usual = facts.ampere.get("expected", np.nan)
    heat = facts.temperature_c
    text = f" {usual:.2f} A" if np.isfinite(usual) else ""
    return text + (f" at {heat:.0f} °C" if np.isfinite(heat) else "")


def sentence(facts: Facts) -> str:
    """Say how much more the motion takes."""
    grows = ", growing from nothing" if facts.shape == "growing friction" else ""
    return (
        f"{facts.span} the motion takes {more(facts.ampere['drag'])}{conditions(facts)}"
        f"{ways(facts)}{grows}"
    )


def claim(mark: Mark, others: Sequence[Mark]) -> float:
    """Claim travel that is missing because the motion takes more: little of it."""
    del others
    return float(mark.measure == "behind" and lacking(mark) < SHORT)


SIGNATURE = Signature(
    kind="friction",
    shapes=(
        Shape("friction", "A", coulomb, positive=True),
        Shape("viscous friction", "A per deg/s", viscous, positive=True, least_s=10.0),
        Shape("growing friction", "A", coulomb, grows=True, positive=True),
    ),
    measures=(),
    sentence=sentence,
    claim=claim,
)
