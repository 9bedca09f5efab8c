"""The one size of a slip: flags, reports and wear tell the same figure.

A slip by the two ends of its stretch begins when the joint has settled. It may have begun
before, and what had gone by then is part of it.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from replay.signals.brakes.displacements import SETTLE_S, Displacement
from replay.signals.joint_signals import JointSignals


def size_as_flagged(
    a: JointSignals, seen: dict[str, Any], found: Displacement
) -> dict[str, object]:
    """Return a slip's size as flags tell it, where that displacement is all that stayed.

    Parameters
    ----------
    a : JointSignals
    seen : dict
        The slip by the two ends of its stretch: ``slip_deg``, ``slip_se_deg``,
        ``excursion_deg``, ``flex_deg_per_nm`` and ``edge``, the rows of an end.
    found : Displacement
        The largest change of place in the stretch.
    """
    told: dict[str, object] = {"excursion_deg": max(seen["excursion_deg"], abs(found.moved_deg))}
    settled = int(np.searchsorted(a.t_s, a.t_s[found.first_row] + SETTLE_S))
    gone = a.angle_deg[found.begin_row : settled + seen["edge"]]  # up to where it was sized from
    early = float(np.median(gone[-seen["edge"] :])) - float(gone[0]) if len(gone) else 0.0
    error = float(np.hypot(np.hypot(found.se_deg, seen["slip_se_deg"]), a.angle_noise_deg))
    alike = abs(found.stayed_deg - (seen["slip_deg"] + early)) <= 3.0 * error
    if seen["flex_deg_per_nm"] is None and alike:
        told["slip_deg"] = found.stayed_deg
    return told
