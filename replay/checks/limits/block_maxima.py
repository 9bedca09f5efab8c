"""A session in blocks of ten minutes a joint: the largest value of every statistic."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from replay.checks.likelihood import BANDS, windows
from replay.checks.limits.calibration import Calibration
from replay.checks.limits.extreme_values import Block, statistic
from replay.checks.limits.noise import EVERYONE, shape_terms
from replay.models.residuals import Floats, SessionResiduals
from replay.signatures.marks import Seen, valued
from replay.signatures.registry import MEASURES, SHAPES

BLOCK_S = 600.0


def blocks_of(
    session: SessionResiduals,
    seen: Mapping[str, Mapping[str, Seen]],
    calibration: Calibration,
) -> list[Block]:
    """Return the largest values of a session's joints, block by block.

    Parameters
    ----------
    session : SessionResiduals
    seen : mapping
        By joint and measure.
    calibration : Calibration
        With noise and norms; tails are not needed.
    """
    length = {j.joint: float(j.t_s[-1] - j.t_s[0]) + j.step_s for j in session.joints.values()}
    longest = max(length.values(), default=0.0)
    count = max(1, round(longest / BLOCK_S))
    most: dict[tuple[str, int], dict[str, float]] = {
        (joint, k): {} for joint in (*session.joints, EVERYONE) for k in range(count)
    }

    def put(joint: str, name: str, at_s: Floats, size: Floats) -> None:
        block = np.clip((at_s / max(longest, 1e-9) * count).astype(int), 0, count - 1)
        for k in np.unique(block):
            into = most[joint, int(k)]
            into[name] = max(into.get(name, 0.0), float(np.max(np.abs(size[block == k]))))

    for (joint, unit, name), (part, step) in shape_terms(session).items():
        noise = calibration.noise_of(unit, SHAPES[name])
        if noise is None or not part.energy.any() or not SHAPES[name].sought:
            continue
        for found in windows(part, step, grows=SHAPES[name].grows, least_s=SHAPES[name].least_s):
            where = 0.5 * (found.first + found.stop) * step
            put(joint, statistic(name, found.band), where, found.z(noise))
    for joint, by in seen.items():
        unit = session.joints[joint].unit if joint in session.joints else joint
        for measure, one in by.items():
            marks = valued(one.marks, calibration.norms_of(unit, measure))
            if (joint, 0) not in most:
                continue
            for name in {MEASURES[measure].statistic(m) for m in marks if m.value > 0}:
                mine = [m for m in marks if m.value > 0 and MEASURES[measure].statistic(m) == name]
                at, size = ([getattr(m, f) for m in mine] for f in ("start_s", "value"))
                put(joint, name, np.array(at), np.array(size))
    shared = {statistic(s.name, k) for s in SHAPES.values() if s.shared for k in range(len(BANDS))}
    return [
        Block(
            session.session,
            joint,
            (length.get(joint, longest)) / 3600 / count,
            {n: v for n, v in by.items() if (n in shared) == (joint == EVERYONE)},
        )
        for (joint, _), by in most.items()
        if joint != EVERYONE or by
    ]
