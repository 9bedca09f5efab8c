"""What a session cannot be asked for the lack of a quantity, in words."""

from __future__ import annotations


def switched_off(quantities: set[str]) -> tuple[str, ...]:
    """Say in words what the missing quantities disable."""
    lines = {
        "angle_deg": "no angle: no posture, no tip speed, no travel, no slip test",
        "rate_deg_s": "no rate logged: rates are computed from angles",
        "current_a": "no motor current: nothing is expected or checked, the rest is kept and shown",
        "rate_cmd_deg_s": "no commanded rate: no tracking error, stalls told from current alone",
        "temperature_c": "no temperature: friction is not corrected for temperature",
        "brake_engaged": "no brake state: no brake delays, slip or drag after release",
        "brake_engage_cmd": "no brake command: no delay from command to state",
        "payload_kg": "no payload mass: load torque is computed for a bare tip",
        "base_end": "base end not stated: end A is taken as the base",
        "person_on_tip": "nothing says whether a person was on the tip: no check of that limit",
    }
    stand_in = {"rate_cmd_deg_s"} if "angle_cmd_deg" in quantities else set()
    lacking = [text for q, text in lines.items() if q not in quantities | stand_in]
    unused = {
        "torque_nm": "joint torque is kept, drawn and handed on: no model reads it, nothing is "
        "learned or flagged from it; a log needs a motor current beside it to be checked",
        "current_target_a": "target current is kept, drawn beside the measured one and handed on: "
        "no model reads it; what is expected is learned from the measured current alone",
    }
    return (*lacking, *(text for q, text in unused.items() if q in quantities))
