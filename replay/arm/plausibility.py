"""What in an arm file is possible and yet most likely wrong: frames, units, the payload's place.

An impossible value is refused where it is read. What is here would be
computed with, and would make loads of a wrong sign or size: so it is said
when the file is read, with the joint and the key.
"""

from __future__ import annotations

import numpy as np

from replay.arm.chain import End, chain_from
from replay.arm.description import Arm, Link
from replay.arm.transforms import Array, inertia_matrix

_APART_M = 1e-3
"""Points nearer than this are one place."""
_ASKEW = 0.3
"""Below this cosine a frame looks sideways, and neither out of the arm nor into it."""
_LONGEST_M = 100.0
_END_OF = {"A": "B", "B": "A"}


def doubts(arm: Arm) -> list[str]:
    r"""Return what is most likely wrong in an arm file, a sentence each; empty when nothing.

    Parameters
    ----------
    arm : Arm
        An arm file as `load_arm` reads it.

    Returns
    -------
    list of str
        Sentences; empty when nothing looks wrong.

    Examples
    --------
    >>> from replay.arm import load_arm
    >>> doubts(load_arm("[arm]\nname='x'\n[[joints]]\nname='J1'\n"))
    []
    """
    found = [*_links(arm)]
    if arm.tip_from_last is None:
        return found
    for base in ("A", "B"):
        found += _tip(arm, base)
    return found


def reach_m(arm: Arm) -> float:
    """Return the length of the stretched chain, in m."""
    steps = [np.array(j.from_previous)[:3, 3] for j in arm.joints if j.from_previous is not None]
    steps.append(np.array(arm.tip_from_last)[:3, 3])
    return float(sum(np.linalg.norm(s) for s in steps))


def _tip(arm: Arm, base: End) -> list[str]:
    """Look at the tip frame, and at the payload in it, with one end as the base."""
    chain = chain_from(arm, base)
    frames = chain.transforms(np.zeros(len(chain.steps)))
    tip = frames[-1]
    outward = _outward([f[:3, 3] for f in frames[:-1]], tip[:3, 3])
    if outward is None:
        return []
    end = _END_OF[base]
    what = "arm.tip" if end == "B" else "the fixture frame at end A"
    found = []
    z = float(tip[:3, 2] @ outward)
    if z < -_ASKEW:
        found.append(
            f"{what}: with end {base} as the base, z of the tip frame looks into the arm and not "
            "out of it; tip loads and the payload's place turn round (turn the frame half about x)"
        )
    elif z < _ASKEW:
        found.append(
            f"{what}: with end {base} as the base, z of the tip frame looks sideways "
            f"({np.degrees(np.arccos(z)):.0f} deg from the last link)"
        )
    centre = np.array(arm.payload_centre_m)
    if np.linalg.norm(centre) > _APART_M:
        place = tip[:3, :3] @ centre
        if float(place @ outward) < -_APART_M:
            found.append(
                f"arm.payload.centre_m: with end {base} as the base the payload lands inside the "
                f"arm, {-float(place @ outward):.3g} m behind the tip"
            )
    return found


def _outward(joints: list[Array], tip: Array) -> Array | None:
    """Return the direction in which the last link runs to the tip."""
    for place in reversed(joints):
        span = tip - place
        length = float(np.linalg.norm(span))
        if length > _APART_M:
            return np.asarray(span / length)
    return None


def _links(arm: Arm) -> list[str]:
    found: list[str] = []
    reach = reach_m(arm) if arm.tip_from_last is not None else None
    if reach is not None and reach > _LONGEST_M:
        found.append(f"the chain is {reach:.4g} m long: are lengths in mm?")
    bodies: list[tuple[str, Link]] = [(j.name, j.link) for j in arm.joints if j.link is not None]
    if arm.base_link is not None:
        bodies.append(("base_link", arm.base_link))
    for name, link in bodies:
        if link.mass_kg == 0.0 and link.inertia_kg_m2 is not None:
            found.append(f"{name}: an inertia without a mass: no body has that")
        if reach is None or reach < _APART_M or link.mass_kg <= 0.0:
            continue
        if float(np.linalg.norm(link.centre_m)) > 2.0 * reach:
            found.append(
                f"{name}: link.centre_m lies {np.linalg.norm(link.centre_m):.4g} m off, and the "
                f"whole arm is {reach:.4g} m long: is it in mm?"
            )
        if link.inertia_kg_m2 is not None:
            largest = float(np.linalg.eigvalsh(inertia_matrix(link.inertia_kg_m2))[-1])
            gyration = float(np.sqrt(largest / link.mass_kg))
            if gyration > reach:
                found.append(
                    f"{name}: {link.mass_kg:g} kg with that inertia has a radius of gyration of "
                    f"{gyration:.4g} m, more than the whole arm: is it in kg mm2?"
                )
    return found
