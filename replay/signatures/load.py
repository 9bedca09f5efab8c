"""Load: what is carried is not what the log says.

One mass acts on every joint by its own lever, so the shape is shared: the
kilograms are the same on all of them.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from replay.models.residuals import Floats, JointResiduals
from replay.signatures.kinds import Facts, Shape, Signature, departs


def payload(joint: JointResiduals) -> Mapping[str, Floats]:
    """Return the current that one more kilogram at the tip asks for."""
    kg = joint.regressors.get("payload")
    return {} if kg is None else {"plant": kg}


def sentence(facts: Facts) -> str:
    """Say which load the log claims and which fits."""
    error = f" ± {facts.size_se:.2g}" if np.isfinite(facts.size_se) else ""
    known = facts.payload_kg if np.isfinite(facts.payload_kg) else 0.0
    peak = departs(facts)
    if facts.shape != "payload":
        return f"{facts.span} {peak} in step with the load: a load that the log does not tell of"
    if abs(facts.size) <= 2 * facts.size_se:  # a person on the tip, for one
        return (
            f"{facts.span} {peak}, most like a load that the log does not tell of; how large is "
            f"not known ({facts.size:.2g}{error} kg)"
        )
    if known <= 0:
        return (
            f"{facts.span} {peak} in step with the load: {facts.size:.3g}{error} kg more than "
            "the log tells of"
        )
    return (
        f"{facts.span} {peak} in step with the load: the payload of {known:.0f} kg in the log does "
        f"not fit, {known + facts.size:.3g}{error} kg does"
    )


SIGNATURE = Signature(
    kind="load",
    shapes=(Shape("payload", "kg", payload, shared=True, least_s=5.0),),
    measures=(),
    sentence=sentence,
)
