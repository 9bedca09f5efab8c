"""Brake drag: friction that begins with a release of the brake and ends with an engagement.

On the residuals it is friction; what sets it apart is when. Its onset and its
end are not free, and for that its likelihood carries less of a price (`replay.checks.kind`): none
where it ends with the release that it began with, and where it lasts over several only that of
ends that seem a brake's by chance.
"""

from __future__ import annotations

from replay.signatures.friction import claim, conditions, coulomb, more
from replay.signatures.kinds import Facts, Shape, Signature
from replay.wording import counted


def sentence(facts: Facts) -> str:
    """Say how much more the motion takes, and since which release."""
    over = f" and over {counted(facts.releases, 'release')} on end" if facts.releases > 1 else ""
    return (
        f"{facts.span}, from the first motion after a brake release{over}, the motion takes "
        f"{more(facts.ampere['drag'])}{conditions(facts)}, with the brake reported released"
    )


SIGNATURE = Signature(
    kind="brake-drag",
    shapes=(Shape("drag of one release", "A", coulomb, sought=False, positive=True),),
    measures=(),
    sentence=sentence,
    claim=claim,
)
