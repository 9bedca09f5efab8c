"""What a unit's current looks like apart from wear: the reference model of its sessions.

One session moves too little to tell Coulomb from viscous friction, load and
inertia. What all sessions of a unit share (how current depends on speed,
acceleration, load and, without an arm file, posture) is therefore fitted on
many of them together, while each session keeps its own friction levels, so
that wear does not leak into the reference model. A session is then measured as its
levels above that shared curve. Friction terms as in B. Armstrong-Helouvry, P.
Dupont, C. Canudas de Wit, *Automatica* 30 (1994) 1083-1138; a gear's loss by
the torque that it passes on is the term ``direction * |load|``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from replay.statistics.spread import spread
from replay.wear.measures.measure import Floats
from replay.wear.measures.motions import Motions
from replay.wear.reference.friction_told import (
    direction_levels,
    friction_is_told,
    posture_is_told,
)
from replay.wear.reference.pooled_motions import (
    group_medians,
    joined_motions,
    some_chunks,
    within_sessions,
)

STAGES = (1, 8, 24)
"""Sessions of a unit at which its reference model is made anew; then it stays."""


LEAST_MOTION_SPREAD_A = 1e-4


@dataclass(frozen=True, slots=True)
class Reference:
    """A unit's reference model."""

    stage: int
    usual_rate_deg_s: float
    names: tuple[str, ...]
    beta: tuple[float, ...]
    bends: tuple[float, ...]
    """Speeds at which the curve may bend, deg/s."""
    viscous: tuple[float, float]
    """Slope of the curve about the usual rate, forward and backward, A s/deg."""
    motion_spread_a: float
    """Spread of a motion's mean about its session's level."""
    row_spread_a: float
    """Spread of single samples."""
    slope_spread: float
    """Spread of the viscous slope between sessions, A s/deg."""
    friction_told: bool = True
    """Whether friction can be told from load: both directions were seen, each
    costs current, and more than motions differ among themselves."""
    posture: tuple[float, float] = (0.0, 0.0)
    """Mean sine and cosine of the angle: what posture adds is counted from there."""
    lean_a: float = 0.0
    """Forward less backward friction at the usual rate, as usual for the unit."""
    lean_spread_a: float = 0.0
    """How it differs between sessions, at least as much as motions scatter."""
    drive_current_a: float = 0.0
    """What acceleration and load take at their hardest (99 %), A."""
    posture_told: bool = True
    """Whether load was known, or matters little: where no column tells the load, a
    current that follows posture or what is carried passes for friction."""


def make_reference(sessions: Sequence[Motions], stage: int) -> Reference | None:
    """Fit what the sessions of a unit share; None when they hardly move."""
    used = [some_chunks(m) for m in sessions if m.count >= 1]
    if not used or sum(len(m.current) for m in used) < 10:
        return None
    both = joined_motions(used)
    owner = np.repeat(np.arange(len(used)), [len(m.current) for m in used])
    level = (owner * 2 + (both.direction < 0)).astype(np.int64)
    top = float(np.quantile(both.speed, 0.95))
    usual = float(f"{np.median(both.speed):.3g}")
    bends = tuple(float(f"{q:.4g}") for q in np.quantile(both.speed, [0.3, 0.6]))
    names = ["speed forward", "speed backward"]
    if len(both.current) > 80:
        names += ["bend 0", "bend 1"]
    if np.std(both.accel) > 0:
        names.append("accel")
    if np.std(both.load) > 1e-6 * (1 + float(np.max(np.abs(both.load)))):
        names += ["load", "load loss"]
    posture = (0.0, 0.0)
    bare = Reference(stage, usual, (), (), bends, (0, 0), 0, 0, 0)
    design, beta, rest = _fitted(both, names, bare, level)
    if "load" not in names and np.isfinite(both.angle).all() and np.ptp(both.angle) > 30:
        # Gravity without an arm file: by the joint's own angle, if that explains much.
        turn = np.radians(both.angle)
        posture = (float(np.mean(np.sin(turn))), float(np.mean(np.cos(turn))))
        bent = Reference(stage, usual, (), (), bends, (0, 0), 0, 0, 0, posture=posture)
        more = [*names, "sine", "cosine"]
        wide, wide_beta, wide_rest = _fitted(both, more, bent, level)
        if spread(wide_rest) < 0.8 * spread(rest):
            names, design, beta, rest = more, wide, wide_beta, wide_rest
    motion = np.unique(level * 100_000 + both.motion, return_inverse=True)[1]
    sums = np.bincount(motion, both.rows)
    means = np.bincount(motion, rest * both.rows) / sums
    inside = (rest - means[motion]) * np.sqrt(both.rows)
    between = spread(means)
    low, high = 0.5 * usual, min(1.5 * usual, top)
    made = Reference(
        stage=stage,
        usual_rate_deg_s=usual,
        names=tuple(names),
        beta=tuple(float(b) for b in beta),
        bends=bends,
        viscous=(0.0, 0.0),
        motion_spread_a=max(between, LEAST_MOTION_SPREAD_A),
        row_spread_a=max(spread(inside), LEAST_MOTION_SPREAD_A),
        slope_spread=0.0,
        posture=posture,
    )
    slope = (_slope(made, 1.0, low, high), _slope(made, -1.0, low, high))
    # Between sessions the slope moves with temperature; a third of the
    # friction at the usual rate, spread over that rate, is a wide guess.
    total = float(np.median(np.abs(both.current)))
    slope_spread = max(0.35 * max(abs(slope[0]), abs(slope[1])), 0.1 * total / max(usual, 1e-9))
    left = both.current - design @ beta
    levels = direction_levels(both, left)
    lean, lean_spread = _lean(both, left, owner, made.motion_spread_a)
    return replace(
        made,
        viscous=slope,
        slope_spread=slope_spread,
        friction_told=friction_is_told(levels, made.motion_spread_a, lean),
        lean_a=lean,
        lean_spread_a=lean_spread,
        drive_current_a=_drive(made, design, beta),
        posture_told=posture_is_told(levels, made.names, lean_spread),
    )


def _fitted(
    m: Motions, names: list[str], reference: Reference, level: npt.NDArray[np.int64]
) -> tuple[Floats, Floats, Floats]:
    """Return the columns, their coefficients, and friction about its own levels."""
    design = _columns(m, tuple(names), reference)
    beta = within_sessions(design, m.current, level, m.direction, ridge=1e-4)
    friction = m.direction * (m.current - design @ beta)
    return design, beta, friction - group_medians(friction, level)


def shared_current(motions: Motions, reference: Reference) -> Floats:
    """Return the current that the shared curve explains, chunk by chunk.

    The curve is zero at the usual rate, without acceleration and load.
    """
    design = _columns(motions, reference.names, reference)
    return np.asarray(design @ np.array(reference.beta), dtype=float)


def _lean(
    m: Motions, left: Floats, owner: npt.NDArray[np.int64], motion_spread_a: float
) -> tuple[float, float]:
    """Return the usual difference of the directions, and its spread over sessions."""
    differences = []
    for number in np.unique(owner):
        friction, own = m.direction * left, owner == number
        forward = friction[own & (m.direction > 0)]
        backward = friction[own & (m.direction < 0)]
        if len(forward) and len(backward):
            differences.append(float(np.median(forward) - np.median(backward)))
    if not differences:
        return 0.0, motion_spread_a
    between = spread(np.array(differences)) if len(differences) >= 4 else 0.0
    return float(np.median(differences)), max(between, motion_spread_a)


def drive_current(
    accel_deg_s2: Floats, load_nm: Floats, direction: Floats, reference: Reference
) -> Floats:
    """Return what acceleration and load take, A; the part that is not friction."""
    total: Floats = np.zeros(len(accel_deg_s2))
    for name, beta in zip(reference.names, reference.beta, strict=True):
        if name == "accel":
            total = total + beta * np.nan_to_num(accel_deg_s2)
        elif name == "load":
            total = total + beta * np.nan_to_num(load_nm)
        elif name == "load loss":
            total = total + beta * direction * np.abs(np.nan_to_num(load_nm))
    return total


def _columns(m: Motions, names: tuple[str, ...], r: Reference) -> Floats:
    d, u = m.direction, r.usual_rate_deg_s
    made: list[Floats] = []
    for name in names:
        if name == "speed forward":
            made.append(d * (d > 0) * (m.speed - u))
        elif name == "speed backward":
            made.append(d * (d < 0) * (m.speed - u))
        elif name.startswith("bend"):
            at = r.bends[int(name[-1])]
            made.append(d * (np.maximum(m.speed - at, 0) - max(u - at, 0.0)))
        elif name == "accel":
            made.append(m.accel)
        elif name == "load":
            made.append(m.load)
        elif name == "load loss":
            made.append(d * np.abs(m.load))
        elif name == "sine":
            made.append(np.sin(np.radians(m.angle)) - r.posture[0])
        else:
            made.append(np.cos(np.radians(m.angle)) - r.posture[1])
    return np.column_stack(made)


def _slope(r: Reference, direction: float, low: float, high: float) -> float:
    at = np.array([low, high])
    zero = np.zeros(2)
    two = Motions(
        np.arange(2),
        np.full(2, direction),
        at,
        zero,
        zero,
        zero,
        zero,
        np.ones(2),
        np.arange(2),
        [],
    )
    curve = direction * (_columns(two, r.names, r) @ np.array(r.beta))
    return float((curve[1] - curve[0]) / (high - low)) if high > low else 0.0


def _drive(r: Reference, design: Floats, beta: Floats) -> float:
    of_drive = [k for k, name in enumerate(r.names) if name in ("accel", "load", "load loss")]
    if not of_drive:
        return 0.0
    return float(np.quantile(np.abs(design[:, of_drive] @ beta[of_drive]), 0.99))
