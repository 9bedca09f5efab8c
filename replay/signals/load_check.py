"""Loads of an arm file held against a session's currents, to see a wrong sign or frame.

A joint's current is friction and load. Of the rows with the current of one
direction of motion, or at rest, load is what varies: its correlation with the
current, within each, says whether the arm file's loads are those of the arm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from replay.archive import Archive
from replay.arm import Arm, loads
from replay.errors import UsageError
from replay.signals.joints import joint_columns

MIN_SAMPLES = 50
MIN_SPREAD_NM = 1e-3
CLEAR = 0.5
"""From this correlation on the sign is taken to be certain enough to be named."""
_MOST = 20_000


@dataclass(frozen=True, slots=True)
class LoadComparison:
    """How one joint's current follows its load."""

    joint: str
    samples: int
    r: float | None
    """Correlation within each direction of motion; None where the load does not vary."""
    slope: float | None
    """Current over the load's own current (gear and torque constant); 1 is what they say."""
    finding: str
    """Empty, or what does not fit."""
    text: str


def compare_loads(archive: Archive, session: str, arm: Arm) -> list[LoadComparison]:
    """Compare each joint's current with the loads that an arm file gives this motion.

    Raises
    ------
    UsageError
        The session lacks a joint of the arm.
    """
    found = joint_columns(archive, session)
    missing = [n for n in arm.joint_names if n not in found]
    if missing:
        raise UsageError(f"session {session!r} has no current for {', '.join(missing)}")
    columns = [found[n] for n in arm.joint_names]
    count = min(len(c.time) for c in columns)
    pick = np.unique(np.linspace(0, count - 1, min(count, _MOST)).astype(int))
    angle, rate, accel = (
        np.stack([np.asarray(getattr(c, name))[pick] for c in columns], axis=1)
        for name in ("angle_deg", "rate_deg_s", "accel_deg_s2")
    )
    payload = np.nan_to_num(np.asarray(columns[0].payload_kg)[pick])
    at_b = np.asarray(columns[0].base_end)[pick] == 1
    torque = np.full(angle.shape, np.nan)
    good = np.isfinite(angle).all(axis=1) & np.isfinite(rate).all(axis=1)
    accel = np.nan_to_num(accel)
    for base, rows in (("A", good & ~at_b), ("B", good & at_b)):
        if rows.any():
            torque[rows] = loads(
                arm, angle[rows], rate[rows], accel[rows],
                base=base, payload_kg=payload[rows],  # type: ignore[arg-type]
            ).torque_nm  # fmt: skip
    out = []
    for k, (joint, c) in enumerate(zip(arm.joints, columns, strict=True)):
        current = np.asarray(c.current_a)[pick]
        way = np.sign(np.where(np.abs(rate[:, k]) > 0.05, rate[:, k], 0.0))
        per_amp = (joint.gear_ratio or 0.0) * (joint.torque_constant_nm_a or 0.0)
        out.append(_one(joint.name, torque[:, k], current, way, per_amp))
    return out


def _one(
    joint: str, torque: np.ndarray, current: np.ndarray, way: np.ndarray, per_amp: float
) -> LoadComparison:
    use = np.isfinite(torque) & np.isfinite(current)
    x, y = torque[use].copy(), current[use].copy()
    for side in (-1.0, 0.0, 1.0):
        mine = way[use] == side
        if mine.any():
            x[mine] -= x[mine].mean()
            y[mine] -= y[mine].mean()
    n = int(use.sum())
    spread = float(x.std()) if n else 0.0
    if n < MIN_SAMPLES or spread < MIN_SPREAD_NM or not float(y.std()):
        return LoadComparison(joint, n, None, None, "", "its load hardly varies: nothing to tell")
    r = float(np.corrcoef(x, y)[0, 1])
    slope = float((x @ y) / (x @ x)) * per_amp if per_amp else None
    finding = ""
    if r < -CLEAR:
        finding = "the current falls where the load rises: a sign or a frame is wrong"
    said = f"current and load correlate by {r:+.2f}"
    if slope is not None and r > CLEAR:
        said += f", slope {slope:.2f} of what gear and torque constant say"
    return LoadComparison(joint, n, r, slope, finding, f"{said}; {finding}" if finding else said)
