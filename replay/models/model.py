"""The model of all units, and the residuals of a session by it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from replay.models.chains.chain_training import ChainModel, chain_loads
from replay.models.conditions import base_of
from replay.models.grid.blocks import SessionBlocks
from replay.models.joint_residuals import joint_residuals, unknown_unit
from replay.models.loading.loads import (
    FROM_FILE,
    IDENTIFIED,
    Loads,
    arm_file_loads,
    no_loads,
)
from replay.models.loading.payload import Payloads, declared, estimate
from replay.models.loading.payload_evidence import evidence_of
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
    payload = payload_of(model, blocks, loads)
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
        notes=_notes(model, payload),
    )


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
