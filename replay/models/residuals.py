"""What the model of the current hands to the tests: one joint of one session on a block grid.

Every block is a filtered sample (`replay.models.grid.blocks`), about five a second.
Two residuals are structured (Gertler 1998): a fault of the mechanism shows in
``plant`` and leaves ``servo`` untouched, a fault of the current's sensor shows in
both, a fault of the angle's in ``servo`` together with a kinematic step.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from replay.records import Session

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Index = NDArray[np.intp]
Codes = NDArray[np.int8]

HELD, RESTING, SLIDING, BETWEEN = 0, 1, 2, 3
"""States of a block: brake engaged over the filter's whole support; released and still
over it; released and turning one way over it; anything else."""

JUDGED, NO_CURRENT, NO_ANGLE, NOT_TRAINED, NO_LOAD, TOO_SHORT, EDGE, NOT_FITTED = range(8)
"""Why a block is not judged; 0 where it is."""

REASONS: Mapping[int, str] = {
    NO_CURRENT: "no current was logged",
    NO_ANGLE: "no angle and no rate was logged",
    NOT_TRAINED: "no training session has this unit",
    NO_LOAD: "the load is not known and cannot be estimated",
    TOO_SHORT: "shorter than the filter",
    NOT_FITTED: "training has too little motion that lasts longer than the filter",
    EDGE: "a gap or an end of the log",
}

REGRESSORS = ("coulomb", "sign", "viscous", "stribeck", "constant", "gain", "payload")
"""Shapes in ampere that a fault may add to the plant residual: the unit's own friction
as learned (1 is all of it again), sgn v, v (A per deg/s), sgn v near rest, an offset,
the current as predicted (1 is all of it again), and what one kilogram more at the tip asks."""


@dataclass(frozen=True, slots=True)
class Residual:
    """A residual in ampere and where it holds.

    ``variance`` is of a block and averages out; ``doubt_a`` is a standard deviation
    that does not (parameters, extrapolation, a load that is not known): over a
    window it adds up by its absolute value.
    """

    value: Floats
    variance: Floats
    doubt_a: Floats
    ok: Flags


@dataclass(frozen=True, slots=True)
class JointResiduals:
    """One joint of one session on the blocks' grid; all arrays are (n,).

    ``plant`` is current less the rigid-body load, friction and bias (sliding
    blocks); ``servo`` is current less what the drive's own law makes of the
    following error (released), less bias (held); ``rest`` is what current at
    standstill exceeds breakaway by, signed, 0 within it (released), less bias
    (held). ``expected_a`` is NaN where no law says what is expected;
    ``angle_deg`` is unwrapped. Switches have -1 where unknown.
    ``extrapolation`` is 0 where training was, towards 1 where it was not.
    ``support_s`` is the filter's length: a block knows this much of time.
    ``regressors`` are named in `REGRESSORS`; ``figures`` are the unit's own:
    ``coulomb_a``, ``breakaway_a``, ``bias_a``, ``moving_a`` (usual moving
    current), ``nm_per_a`` and others, NaN where not known.
    """

    joint: str
    unit: str
    t_s: Floats
    time_ns: NDArray[np.int64]
    step_s: float
    support_s: float
    state: Codes
    reason: Codes
    engaged: Codes
    engage_cmd: Codes
    plant: Residual
    servo: Residual
    rest: Residual
    regressors: Mapping[str, Floats]
    expected_a: Floats
    current_a: Floats
    angle_deg: Floats
    rate_deg_s: Floats
    accel_deg_s2: Floats
    rate_cmd_deg_s: Floats
    temperature_c: Floats
    payload_kg: Floats
    extrapolation: Floats
    angle_resolution_deg: float
    current_resolution_a: float
    figures: Mapping[str, float] = field(default_factory=dict)
    mass_off_kg: Floats | None = None
    """By how much more than declared ``plant`` takes the payload to weigh; None: not at all."""

    def as_declared(self) -> JointResiduals:
        """Return the same with the payload that the log declares: what a wrong load shows."""
        if self.mass_off_kg is None:
            return self
        less = self.regressors["payload"] * self.mass_off_kg
        plant = replace(self.plant, value=self.plant.value + less)
        return replace(self, plant=plant, expected_a=self.expected_a - less, mass_off_kg=None)


@dataclass(frozen=True, slots=True)
class PayloadEstimate:
    """A load that no column declares, as estimated within the session."""

    start_s: float
    end_s: float
    mass_kg: float
    sd_kg: float


@dataclass(frozen=True, slots=True)
class SessionResiduals:
    """A session's joints, and what was assumed about its load and base."""

    session: str
    record: Session
    joints: Mapping[str, JointResiduals]
    base_end: str | None
    payload_declared: bool
    payloads: tuple[PayloadEstimate, ...] = ()
    payload_factor: float | None = None
    """Declared mass times this fits best; 1 when the declaration is right, None: not told."""
    payload_factor_sd: float | None = None
    loads_from: str = ""
    """``"arm file"``, ``"identified"``, ``"none"``."""
    notes: tuple[str, ...] = ()
    """Sentences for the session's first line: undeclared load, spans not judged."""
