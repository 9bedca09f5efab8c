"""What a missing value in the arm file switches off."""

from __future__ import annotations

from replay.arm.description import Arm


def switched_off(arm: Arm) -> list[str]:
    """Say what this arm file's gaps switch off, a sentence each; empty when nothing.

    Parameters
    ----------
    arm : Arm
        An arm file as `load_arm` reads it.

    Returns
    -------
    list of str
        What cannot be computed, and for want of what.
    """
    out: list[str] = []
    if arm.tip_from_last is None:
        out.append("no geometry: poses, tip speed and loads are off")
    else:
        without = [j.name for j in arm.joints if j.link is None]
        if without:
            out.append(f"no link mass for {', '.join(without)}: loads are off")
        elif arm.base_link is None:
            out.append("no base_link: with end B as base the end-A body counts as massless")
        if not arm.tip_speed_limit_m_s:
            out.append("no tip speed limits: tip speed is shown but not judged")
    wanted = {
        "serial": "histories follow the joint's place, not the unit",
        "angle_range_deg": "closeness to the angle limits is not judged",
        "rate_limit_deg_s": "closeness to the rate limit is not judged",
        "gear_ratio": "torque and current are not converted",
        "torque_constant_nm_a": "torque and current are not converted",
        "efficiency_drive": "the drive is taken without losses beyond friction when driving",
        "efficiency_backdrive": "the drive is taken without losses beyond friction when driven",
        "motor_inertia_kg_m2": "the rotor's reflected inertia is left out",
        "current_limit_a": "motor torque margin is off",
        "brake_torque_nm": "brake margin is off",
    }
    for key, effect in wanted.items():
        names = [j.name for j in arm.joints if getattr(j, key) is None]
        if names:
            who = "every joint" if len(names) == len(arm.joints) else ", ".join(names)
            out.append(f"no {key} for {who}: {effect}")
    return out
