"""Brake drag: friction that begins with a release of the brake and ends with its engagement.

On the residuals it is friction; what sets it apart is when. Its onset and its
end are not free, and for that its likelihood carries no price (`replay.checks.kind`).
"""

from __future__ import annotations

from replay.signatures.friction import claim, conditions, coulomb, more
from replay.signatures.kinds import Facts, Shape, Signature


def sentence(facts: Facts) -> str:
    """Say how much more the motion takes, and since which release."""
    return (
        f"{facts.span}, from the first motion after a brake release, the motion takes "
        f"{more(facts.ampere['drag'])}{conditions(facts)}, with the brake reported released"
    )


SIGNATURE = Signature(
    kind="brake-drag",
    shapes=(Shape("drag of one release", "A", coulomb, sought=False, positive=True),),
    measures=(),
    sentence=sentence,
    claim=claim,
)
