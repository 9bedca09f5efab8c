"""One joint's residuals by its unit's law: plant, servo, rest, and why not judged."""

from __future__ import annotations

import numpy as np

from replay.models.conditions import conditions, usable
from replay.models.grid.blocks import SessionBlocks
from replay.models.loading.loads import (
    Loads,
    swing,
)
from replay.models.loading.payload import Payloads
from replay.models.residuals import (
    EDGE,
    HELD,
    JUDGED,
    NO_ANGLE,
    NO_CURRENT,
    NO_LOAD,
    NOT_FITTED,
    NOT_TRAINED,
    RESTING,
    SLIDING,
    Codes,
    Floats,
    JointResiduals,
    Residual,
)
from replay.models.units.joint_unit import Parts, UnitModel, levels, predict, variance_terms
from replay.models.units.servo import NAMES, servo_columns
from replay.models.units.variance import Noise, Trained, cells_of
from replay.settings import setting


def joint_residuals(
    unit: UnitModel, blocks: SessionBlocks, joint: str, loads: Loads, payload: Payloads
) -> JointResiduals:
    """Return one joint's residuals, their variance and doubt, and the test's regressors."""
    mine, fine = blocks.joints[joint], blocks.fineness[joint]
    at = conditions(blocks, joint, loads, payload.mass_kg, unit.fast_deg_s, unit.reference_c)
    parts = predict(unit, at)
    n = len(blocks)
    terms = variance_terms(unit, parts, at, fine, loads.noise[joint], swing(at.torque_nm))
    variance = unit.noise.variance(terms)
    fits = np.einsum("ij,jk,ik->i", parts.x, unit.covariance, parts.x)
    share = np.full(n, float(np.nanmedian(payload.mass_kg)) / unit.payload_scale_kg)
    far = unit.trained.extrapolation(cells_of(at.heat_k[0.0], at.rate, share))
    per_kg = unit.coefficient("torque") * np.nan_to_num(loads.per_kg[joint])
    doubt = np.sqrt(
        fits
        + far * misfit(unit, parts)
        + (per_kg * payload.sd_kg) ** 2
        + (unit.figures.get("carried_share", 0.0) * per_kg * payload.mass_kg) ** 2
        + (unit.coefficient("torque") * loads.doubt[joint]) ** 2
    )
    current = mine.current_a
    known = usable(mine, at)
    sliding = known & (mine.state == SLIDING) & (len(unit.names) > 0)
    reason = _reasons(unit, mine, at.torque_nm)
    plant = Residual(np.where(sliding, current - parts.whole, np.nan), variance, doubt, sliding)
    torque_a = unit.coefficient("torque") * np.nan_to_num(at.torque_nm)
    level = levels(unit, at) if len(unit.names) else np.zeros(n)
    return JointResiduals(
        joint=joint,
        unit=unit.serial,
        t_s=blocks.t_s,
        time_ns=blocks.time_ns,
        step_s=blocks.step_s,
        support_s=blocks.support_s,
        state=mine.state,
        reason=reason,
        engaged=mine.engaged,
        engage_cmd=mine.engage_cmd,
        plant=plant,
        servo=_servo(unit, blocks, joint),
        rest=rest_residual(unit, current, mine.state, torque_a, level, doubt, terms),
        regressors=_regressors(unit, parts, at.rate, per_kg),
        expected_a=_expected(unit, parts, mine.state, torque_a),
        current_a=current,
        angle_deg=mine.angle_deg,
        rate_deg_s=mine.rate_deg_s,
        accel_deg_s2=mine.accel_deg_s2,
        rate_cmd_deg_s=mine.rate_cmd_deg_s,
        temperature_c=mine.temperature_c,
        payload_kg=payload.mass_kg,
        extrapolation=far,
        angle_resolution_deg=max(fine.angle_resolution_deg, fine.angle_noise_deg),
        current_resolution_a=max(fine.current_resolution_a, 1e-9),
        figures={
            "coulomb_a": abs(unit.coefficient("sign")),
            "breakaway_a": unit.breakaway_a,
            "bias_a": unit.bias_a,
            "moving_a": unit.moving_a,
            "fast_deg_s": unit.fast_deg_s,
            "nm_per_a": 1 / unit.coefficient("torque")
            if unit.coefficient("torque")
            else float("nan"),
        },
        mass_off_kg=loads.mass_off_kg,
    )


def misfit(unit: UnitModel, parts: Parts) -> Floats:
    """Return the variance of the law's own misfit where training was far, A^2.

    Friction is wrong by the declared share; the load by the share that it was off by in
    training, at most as much.
    """
    share = setting("misfit_share")
    load = float(np.clip(np.sqrt(unit.noise.weights[2]), 0.1 * share, share))
    friction = np.nan_to_num(parts.coulomb + parts.viscous)
    out: Floats = (share * friction) ** 2 + (load * np.nan_to_num(parts.load)) ** 2
    return out


def breakaway(unit: UnitModel, level: Floats) -> Floats:
    """Return the current that starts the joint, at each row's level of friction."""
    usual = abs(unit.coefficient("sign"))
    share = np.maximum(level / usual, 0.3) if usual > 0 else np.ones(len(level))
    out: Floats = unit.breakaway_a * share
    return out


def _regressors(unit: UnitModel, parts: Parts, rate: Floats, per_kg: Floats) -> dict[str, Floats]:
    known = np.nan_to_num(rate)
    sign = np.sign(known)
    return {
        "coulomb": parts.coulomb,
        "sign": sign,
        "viscous": known * unit.fast_deg_s,
        "stribeck": sign * np.exp(-((known / 0.05) ** 2)),
        "constant": np.ones(len(known)),
        "gain": np.nan_to_num(parts.whole - unit.bias_a),
        "payload": per_kg,
    }


def _expected(unit: UnitModel, parts: Parts, state: Codes, torque_a: Floats) -> Floats:
    out = parts.whole.copy()
    out[state == HELD] = unit.bias_a
    rest = state == RESTING
    out[rest] = (unit.bias_a + torque_a)[rest]
    return out


def rest_residual(
    unit: UnitModel,
    current: Floats,
    state: Codes,
    torque_a: Floats,
    level: Floats,
    doubt: Floats,
    terms: Floats,
) -> Residual:
    """Held: current less bias. Resting: what exceeds breakaway beside the load."""
    n = len(current)
    off = current - unit.bias_a
    still = off - torque_a
    limit = breakaway(unit, level)
    excess = np.sign(still) * np.maximum(np.abs(still) - limit, 0)
    held, resting = state == HELD, state == RESTING
    value = np.where(held, off, np.where(resting, excess, np.nan))
    ok = np.isfinite(value) & (held | (resting & (len(unit.names) > 0)))
    variance = np.where(held, unit.held_sd_a**2, unit.rest_noise.variance(terms))
    bias_sd = unit.bias_sd_a if np.isfinite(unit.bias_sd_a) else unit.held_sd_a
    return Residual(value, variance, np.where(held, bias_sd, doubt) * np.ones(n), ok)


def _servo(unit: UnitModel, blocks: SessionBlocks, joint: str) -> Residual:
    mine = blocks.joints[joint]
    n = len(blocks)
    nothing = Residual(np.full(n, np.nan), np.ones(n), np.zeros(n), np.zeros(n, dtype=bool))
    law = unit.servo
    if law is None:
        return nothing
    x, ok = servo_columns(mine, blocks.step_s, asked=law.asked)
    x = x[:, [NAMES.index(name) for name in law.names]]
    value = mine.current_a - law.predict(x)
    ok = ok & np.isfinite(value)
    fits = np.einsum("ij,jk,ik->i", x, law.covariance, x)
    return Residual(value, np.full(n, law.variance[0] + law.floor), np.sqrt(fits), ok)


def _reasons(unit: UnitModel, mine, torque: Floats) -> Codes:  # type: ignore[no-untyped-def]
    n = len(mine.current_a)
    reason = np.full(n, JUDGED, dtype=np.int8)
    no_current = ~np.isfinite(mine.current_a)
    no_rate = ~np.isfinite(mine.rate_deg_s)
    whole = no_current.all()
    reason[~np.isfinite(torque)] = NO_LOAD
    reason[no_rate] = NO_ANGLE if no_rate.all() else EDGE
    reason[no_current] = NO_CURRENT if whole else EDGE
    if not unit.names:
        reason[:] = NOT_FITTED if unit.sessions else NOT_TRAINED
    return reason


def unknown_unit(serial: str) -> UnitModel:
    """Return the model of a unit that training never saw: nothing is judged by it."""
    return UnitModel(
        serial=serial,
        joint="",
        names=(),
        coef=np.zeros(0),
        covariance=np.zeros((0, 0)),
        fast_deg_s=1.0,
        reference_c=20.0,
        temperature_range_c=(float("nan"), float("nan")),
        payload_scale_kg=1.0,
        bias_a=0.0,
        bias_sd_a=float("inf"),
        held_sd_a=1.0,
        sample_noise_a=1.0,
        moving_a=0.0,
        noise=Noise(np.array([1.0, 0, 0, 0, 0, 0]), 1.0),
        trained=Trained(np.zeros((0, 3)), np.zeros((0, 0))),
        rest_noise=Noise(np.array([1.0, 0, 0, 0, 0, 0]), 1.0),
        breakaway_a=0.0,
        explained=0.0,
        servo=None,
        hours=0.0,
        sessions=(),
    )
