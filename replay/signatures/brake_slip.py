"""Brake slip: the joint leaves its place while its brake is engaged.

How far and when is measured by `replay.signals.brakes.displacements`; what is usual in
all of the unit's stretches (noise, a gear that settles, a load set down) is the norm.
"""

from __future__ import annotations

from collections.abc import Sequence

from replay.signals.brakes.displacements import displacements
from replay.signatures.kinds import Facts, Signature
from replay.signatures.marks import Mark, Measure, Seen
from replay.signatures.track import Track


def slips(track: Track) -> Seen:
    """Take every held stretch's largest change of place for what may be a slip."""
    marks: list[Mark] = []
    for d in displacements(track.t_s, track.angle_deg, track.braked, track.period_s):
        detail = {
            "stayed_deg": d.stayed_deg,
            "moved_deg": abs(d.moved_deg),
            "from_s": float(track.t_s[d.first_row]),
            "to_s": float(track.t_s[d.last_row]),
            "at_once": d.largest_step_deg / max(d.size_deg, 1e-12),
        }
        begin_s, end_s = float(track.t_s[d.begin_row]), float(track.t_s[d.end_row])
        marks.append(Mark("slip", "held", begin_s, end_s, d.size_deg, detail))
    floor = max(0.15 * track.resolution_deg, 1e-9)
    return Seen(tuple(marks), {"held": (0.0, floor)} if marks else {})


def sentence(facts: Facts) -> str:
    """Say how far it left its place."""
    mark = facts.proof("slip")
    if mark is None:
        return f"{facts.span} the joint moves with the brake engaged"
    moved = float(mark.detail.get("moved_deg", mark.raw))
    return f"with the brake engaged the angle leaves its place by {moved:.3f} deg {facts.span}"


AT_ONCE = 0.8
"""A place left by this share between two samples was left by no body."""


def claim(mark: Mark, others: Sequence[Mark]) -> float:
    """Claim what leaves its place under the brake as a body can, over several samples."""
    del others
    if mark.measure == "slip":
        return float(mark.detail["at_once"] < AT_ONCE)
    braked = mark.measure == "angle step" and mark.detail["braked"]
    return float(braked and mark.detail["at_once"] < AT_ONCE)


SIGNATURE = Signature(
    kind="brake-slip",
    shapes=(),
    measures=(Measure("slip", "deg", slips, pooled=True),),
    sentence=sentence,
    claim=claim,
    needs_mark=True,
)
