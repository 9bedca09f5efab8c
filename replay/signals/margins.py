"""Per session: how much torque was left, by a named rule, for motor and brake.

Available to the motor is the output torque at the current limit while
driving. What the session needed is read from its own logs:

friction
    the 98 % point of what steady motion took beyond the rigid-body load. It
    counts as *measured* only under this session's temperatures, rates and
    loads, which the row carries; it is the largest that was seen, not the
    worst that can come.
acceleration
    the largest torque that the motion's own accelerations took, the rotor's
    reflected inertia included (99.9 % point: single samples are noise).
output
    the largest torque that standing still in the same postures took: gravity,
    nothing in orbit.

For the brake the torque to hold is the largest rigid-body torque while it was
engaged (with the deceleration of a stop on the brake in it) against its rated
torque, with the rule's factors on standing and moving parts. The rule's
factors are the rule's; whether it applies is for the engineer to say.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from replay.archive import Archive
from replay.arm import Arm, has_masses, loads
from replay.arm.description import Joint
from replay.arm.drive import available_torque_nm, reflected_inertia_kg_m2, torque_from_current
from replay.arm.margins import MarginRule, load_rule, margin
from replay.records import Session
from replay.signals.channels import Channels, arm_of
from replay.signals.joints import joint_tables
from replay.signals.postures import Postures
from replay.statistics.noise import Array

LEAST_STEADY = 50

MARGIN_SCHEMA: dict[str, pl.DataType] = {
    "session": pl.String(),
    "joint": pl.String(),
    "serial": pl.String(),
    "what": pl.String(),  # motor | brake
    "rule": pl.String(),
    "rule_date": pl.String(),
    "available_nm": pl.Float64(),
    "required_nm": pl.Float64(),  # with the rule's factors
    "margin": pl.Float64(),  # available / required - 1
    "friction_nm": pl.Float64(),
    "acceleration_nm": pl.Float64(),
    "output_nm": pl.Float64(),
    "temperature_low_c": pl.Float64(),
    "temperature_high_c": pl.Float64(),
    "payload_kg": pl.Float64(),
    "base_end": pl.String(),
    "note": pl.String(),
}
"""Columns of `session_margins`."""


@dataclass(frozen=True, slots=True)
class _Needs:
    friction_nm: float | None
    acceleration_nm: float
    output_nm: float
    held_nm: float | None


def session_margins(
    archive: Archive,
    session: str,
    *,
    rule: MarginRule | None = None,
    tables: Mapping[str, pl.DataFrame] | None = None,
    postures: Postures | None = None,
) -> pl.DataFrame:
    """Return the margins of every joint with a torque to compare; columns of `MARGIN_SCHEMA`.

    Parameters
    ----------
    archive : Archive
    session : str
    rule : MarginRule, optional
        `replay.arm.margins.load_rule`; the default rule when not given.
    tables : joint -> joint table, optional
    postures : Postures, optional
        Both when the caller has them already.

    Returns
    -------
    DataFrame
        No rows without an arm file; ``note`` says what a row leaves out.
    """
    record = archive.session(session)
    arm = arm_of(record)
    rule = load_rule() if rule is None else rule
    if arm is None:
        return pl.DataFrame(schema=MARGIN_SCHEMA)
    tables = joint_tables(archive, session) if tables is None else tables
    standing = _standing_loads(archive, record, arm, tables, postures)
    rows = []
    for joint in arm.joints:
        table = tables.get(joint.name)
        if table is None or not table.height:
            continue
        needs = _needs(joint, table, standing.get(joint.name))
        shared = {
            "session": session,
            "joint": joint.name,
            "serial": record.unit(joint.name),
            "rule": rule.title,
            "rule_date": rule.date,
            "temperature_low_c": table["temperature_c"].min(),
            "temperature_high_c": table["temperature_c"].max(),
            "payload_kg": table["payload_kg"].max(),
            "base_end": table["base_end"].first(),
        }
        rows += [
            shared | row for row in (_motor(joint, needs, rule), _brake(joint, needs, rule)) if row
        ]
    columns = {name: [row.get(name) for row in rows] for name in MARGIN_SCHEMA}
    return pl.DataFrame(columns, schema=MARGIN_SCHEMA, strict=False)


def _motor(joint: Joint, needs: _Needs, rule: MarginRule) -> dict[str, object] | None:
    available = available_torque_nm(joint)
    if available is None or needs.friction_nm is None:
        return None
    required = rule.needed_nm(
        {"friction": needs.friction_nm},
        acceleration_nm=needs.acceleration_nm,
        output_nm=needs.output_nm,
        measured=("friction",),
    )
    return {
        "what": "motor",
        "available_nm": available,
        "required_nm": required,
        "margin": margin(available, required),
        "friction_nm": needs.friction_nm,
        "acceleration_nm": needs.acceleration_nm,
        "output_nm": needs.output_nm,
        "note": "friction as measured in this session's conditions"
        + ("" if needs.held_nm is not None else "; without loads of the arm"),
    }


def _brake(joint: Joint, needs: _Needs, rule: MarginRule) -> dict[str, object] | None:
    if joint.brake_torque_nm is None or needs.held_nm is None:
        return None
    dynamic = max(needs.held_nm - needs.output_nm, 0.0)
    required = rule.resistive_factor * needs.output_nm + rule.acceleration_factor * dynamic
    return {
        "what": "brake",
        "available_nm": joint.brake_torque_nm,
        "required_nm": required,
        "margin": margin(joint.brake_torque_nm, required),
        "acceleration_nm": dynamic,
        "output_nm": needs.output_nm,
        "note": "rated torque, not measured",
    }


def _needs(joint: Joint, table: pl.DataFrame, standing: Array | None) -> _Needs:
    load = table["load_nm"].fill_null(float("nan")).to_numpy()
    known = np.isfinite(load).any()
    static = np.zeros(len(load)) if standing is None else standing
    accel = np.radians(table["accel_deg_s2"].fill_null(float("nan")).to_numpy())
    rotor = reflected_inertia_kg_m2(joint) * accel
    moving = (load - static if known else 0.0) + np.nan_to_num(rotor)
    return _Needs(
        friction_nm=_friction(joint, table, load if known else np.zeros(len(load))),
        acceleration_nm=_high(np.abs(moving), 0.999) or 0.0,
        output_nm=_high(np.abs(static), 0.999) or 0.0,
        held_nm=_high(np.abs(load[(table["motion"] == "held").to_numpy()]), 0.999)
        if known
        else None,
    )


def _friction(joint: Joint, table: pl.DataFrame, load: Array) -> float | None:
    """Return the friction torque at the output that steady motion showed."""
    if joint.gear_ratio is None or joint.torque_constant_nm_a is None:
        return None
    steady = (table["stage"] == "steady").fill_null(False).to_numpy()
    direction = table["direction"].to_numpy()
    current = table["current_a"].to_numpy()
    rate = table["rate_deg_s"].fill_null(float("nan")).to_numpy()
    accel = table["accel_deg_s2"].fill_null(0.0).to_numpy()
    against = direction * (torque_from_current(joint, current, rate, accel) - load)
    against = against[steady & np.isfinite(against)]
    if len(against) < LEAST_STEADY:
        return None
    return max(float(np.quantile(against, 0.98)), 0.0)


def _standing_loads(
    archive: Archive,
    record: Session,
    arm: Arm,
    tables: Mapping[str, pl.DataFrame],
    postures: Postures | None,
) -> dict[str, Array]:
    """Return each joint's torque with all rates at nothing: gravity's share of its load."""
    if not has_masses(arm) or not any(arm.gravity_m_s2):
        return {}
    if postures is None:
        channels = Channels(archive, record, arm.joint_names)
        postures = Postures(channels, arm, channels.motions(arm.joint_names))
    out = {}
    for place, name in enumerate(arm.joint_names):
        if name not in tables:
            continue
        time_ns = tables[name]["time"].cast(pl.Int64).to_numpy()
        state = postures.at(time_ns)
        if state is None:
            return {}
        still = np.zeros_like(state[0])
        torque = np.full(len(time_ns), np.nan)
        payload = postures.payload_kg(time_ns)
        for base, rows in postures.base_rows(time_ns).items():
            if rows.any():
                found = loads(
                    arm,
                    state[0][rows],
                    still[rows],
                    still[rows],
                    base=base,
                    payload_kg=payload[rows],
                )
                torque[rows] = found.torque_nm[:, place]
        out[name] = torque
    return out


def _high(values: Array, share: float) -> float | None:
    known = values[np.isfinite(values)]
    return float(np.quantile(known, share)) if len(known) else None
