"""The model of all units, and the residuals of a session by it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from replay.models.chains.chain_training import ChainModel, chain_loads
from replay.models.conditions import base_of
from replay.models.grid.blocks import SessionBlocks
from replay.models.joint_residuals import joint_residuals, unknown_unit
from replay.models.loading.grip import Witness, carries, gripped, said
from replay.models.loading.grip_spread import Spread, usual_spread
from replay.models.loading.loads import (
    FROM_FILE,
    IDENTIFIED,
    Loads,
    arm_file_loads,
    no_loads,
)
from replay.models.loading.payload import Payloads, declared, estimate
from replay.models.loading.payload_evidence import evidence_of
from replay.models.loading.person import person_words, with_person
from replay.models.residuals import (
    SLIDING,
    SessionResiduals,
)
from replay.models.units.joint_unit import UnitModel
from replay.wording import counted


@dataclass(frozen=True, slots=True)
class Model:
    """Every unit's law, and where loads come from."""

    units: dict[str, UnitModel]
    loads: str
    filter_s: float = 0.25
    notes: tuple[str, ...] = ()
    chain: ChainModel | None = None
    grip: Spread = field(default_factory=Spread)
    """By how much payloads' mass centres are off where they are drawn."""
    arm_toml: str = ""
    """The arm file that a fluid's drag was learned with, where any unit's law has it."""


def loads_for(blocks: SessionBlocks, source: str, chain: ChainModel | None = None) -> Loads:
    """Return a session's rigid-body loads from the source that the model trusts."""
    found = None
    if source == FROM_FILE:
        found = arm_file_loads(blocks)
    elif source == IDENTIFIED and chain is not None:
        found = chain_loads(blocks, chain, np.nan_to_num(blocks.payload_kg))
    return found if found is not None else no_loads(blocks)


def residuals_of(model: Model, blocks: SessionBlocks) -> SessionResiduals:
    """Return what the tests work on: each joint's residuals by the model.

    Parameters
    ----------
    model : Model
    blocks : SessionBlocks
        Condensed with the model's ``filter_s``.

    Returns
    -------
    SessionResiduals
    """
    loads = loads_for(blocks, model.loads, model.chain)
    payload = with_person(payload_of(model, blocks, loads), blocks)
    loads = gripped(loads, payload, witnesses(model, blocks, loads, payload), model.grip)
    knows_loads = any("torque" in unit.names for unit in model.units.values())
    joints = {}
    for joint in blocks.joints:
        serial = blocks.record.unit(joint)
        unit = model.units.get(serial)
        if unit is None:
            unit = unknown_unit(serial)
        joints[joint] = joint_residuals(unit, blocks, joint, loads, payload)
    return SessionResiduals(
        session=blocks.record.session,
        record=blocks.record,
        joints=joints,
        base_end=base_of(blocks),
        payload_declared=payload.declared,
        payloads=payload.stretches,
        loads_from=loads.source,
        notes=(*_notes(model, payload), *(person_words(blocks, payload) if knows_loads else ())),
    )


def witnesses(
    model: Model, blocks: SessionBlocks, loads: Loads, payload: Payloads
) -> list[Witness]:
    """Return what joints say of where a payload's mass centre is; none where nothing tells."""
    if not model.grip.known or not carries(payload):
        return []
    known = {j: model.units.get(blocks.record.unit(j)) for j in blocks.joints}
    return [
        Witness(
            joint,
            joint_residuals(unit, blocks, joint, loads, payload).plant,
            unit.coefficient("torque"),
        )
        for joint, unit in known.items()
        if unit is not None and unit.coefficient("torque") != 0
    ]


def usual_grip(
    models: Sequence[Model],
    chosen: Sequence[int],
    blocks: Sequence[SessionBlocks],
    payloads: Sequence[Payloads],
) -> Spread:
    """Return by how much carries are off, each session's by the chosen of some models.

    The models take grips for `FREE`, and none has seen the sessions that it is chosen for.
    """
    sessions = []
    for k, one, payload in zip(chosen, blocks, payloads, strict=True):
        loads = loads_for(one, models[k].loads, models[k].chain)
        if not loads.per_moment:
            return Spread()
        seen = witnesses(models[k], one, loads, payload)
        told = (said(carry, seen, loads) for carry in carries(payload))
        alone = (t.alone() for t in told if t is not None)
        sessions.append([a for a in alone if a is not None])
    return usual_spread(sessions)


def payload_of(model: Model, blocks: SessionBlocks, loads: Loads) -> Payloads:
    """Return the declared payload, else what the session's own motion tells of it."""
    said = declared(blocks)
    if said.declared or not len(blocks):
        return said
    evidence, scale = {}, 0.0
    resting = np.ones(len(blocks), dtype=bool)
    for mine in blocks.joints.values():
        resting &= mine.state != SLIDING
    for joint in blocks.joints:
        unit = model.units.get(blocks.record.unit(joint))
        if unit is None or "torque" not in unit.names:
            continue
        if unit.payload_scale_kg <= 1e-6:
            continue
        scale = max(scale, unit.payload_scale_kg)
        evidence[joint] = evidence_of(unit, blocks, joint, loads, resting)
    return estimate(blocks, evidence, resting, scale)


def _notes(model: Model, payload: Payloads) -> tuple[str, ...]:
    if payload.declared or not any(u.payload_scale_kg > 1e-6 for u in model.units.values()):
        return ()
    if not payload.stretches:
        return ("no column declares a load here, and nothing tells it: judged as if empty",)
    said = [
        f"{s.mass_kg:.3g} kg (+/- {s.sd_kg:.2g}) from {s.start_s:.0f} to {s.end_s:.0f} s"
        for s in payload.stretches[:6]
    ]
    more = len(payload.stretches) - len(said)
    tail = f" and {counted(more, 'stretch', 'stretches')} more" if more > 0 else ""
    return (f"no column declares a load; estimated from the motion: {', '.join(said)}{tail}",)
