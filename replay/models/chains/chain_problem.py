"""What a search for a chain works on, and whether there is anything to search."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from replay.models.chains.chain import State, joined
from replay.models.chains.identify import Problem, loss_of
from replay.models.conditions import lagged
from replay.models.grid.blocks import SessionBlocks
from replay.models.residuals import SLIDING, Flags, Floats
from replay.statistics.spread import spread_about_zero

NOT_NEEDED = 1.5
"""Residuals of friction and own acceleration within this many noises need no chain."""


MOST_BLOCKS = 4000


def state_of(
    blocks: SessionBlocks, names: Sequence[str], payload_kg: Floats
) -> tuple[State, Flags]:
    """Return a session's instants for a chain, and where all of it is known."""
    parts = [
        np.stack([getattr(blocks.joints[j], what) for j in names], axis=1)
        for what in ("angle_deg", "rate_deg_s", "accel_deg_s2")
    ]
    known = np.all([np.isfinite(p).all(axis=1) for p in parts], axis=0)
    angle, rate, accel = (np.radians(np.nan_to_num(p)) for p in parts)
    return State(angle, rate, accel, (blocks.base_end == 1).astype(float), payload_kg), known


def problem_of(
    blocks: Sequence[SessionBlocks], payloads: Sequence[Floats], folds: Sequence[int]
) -> tuple[Problem | None, Floats]:
    """Return what a search works on, and the fold of each of its rows."""
    names = tuple(blocks[0].joints)
    states, currents, oks, which = [], [], [], []
    friction: list[list[Floats]] = [[] for _ in names]
    each = max(1, sum(len(b) for b in blocks) // (3 * MOST_BLOCKS))
    for one, payload, fold in zip(blocks, payloads, folds, strict=True):
        state, known = state_of(one, names, payload)
        own = [one.joints[j] for j in names]
        ok = np.stack([(m.state == SLIDING) & np.isfinite(m.current_a) for m in own], axis=1)
        ok &= known[:, None]
        rows = np.flatnonzero(ok.any(axis=1))[::each]
        states.append(state.rows(rows))
        currents.append(np.nan_to_num(np.stack([m.current_a for m in own], axis=1))[rows])
        oks.append(ok[rows])
        which.append(np.full(len(rows), fold))
        for k, m in enumerate(own):
            heat = np.nan_to_num(lagged(m.temperature_c, one.step_s)[0.0] - 20) / 10
            friction[k].append(_friction(np.nan_to_num(m.rate_deg_s), heat)[rows])
    ok = np.concatenate(oks)
    if not len(ok):
        return None, np.zeros(0)
    noise = []
    for j in names:
        fine = [one.fineness[j] for one in blocks]
        usual = max(float(np.median([f.current_noise_a for f in fine])), 1e-6)
        noise.append(max(usual / 3, float(np.median([f.current_resolution_a for f in fine])) / 4))
    problem = Problem(
        joined(states),
        np.concatenate(currents),
        ok,
        [np.concatenate(f) for f in friction],
        np.array(noise),
    )
    return problem, np.concatenate(which)


def _friction(rate: Floats, heat: Floats) -> Floats:
    fast = max(float(np.quantile(np.abs(rate), 0.98)), 1e-9)
    w, sign = rate / fast, np.sign(rate)
    return np.stack(
        [
            np.ones(len(w)),
            sign,
            sign * heat,
            w,
            w * np.exp(np.clip(-0.3 * heat, -3, 3)),
            sign * np.sqrt(np.abs(w)),
            sign * np.exp(-((w / 0.1) ** 2)),
        ],
        axis=1,
    )


def without_chain(problem: Problem) -> float | None:
    """Return the loss without a chain; None where no joint needs one."""
    raw = np.zeros_like(problem.current)
    needed = False
    for j in range(problem.count):
        rows = np.flatnonzero(problem.ok[:, j])
        y = problem.current[rows, j]
        accel = problem.state.accel[rows, j]
        raw[rows, j] = _left(np.column_stack([problem.friction[j][rows], accel]), y)
        needed |= spread_about_zero(raw[rows, j]) > NOT_NEEDED * 3 * problem.sd[j]
    return loss_of(problem, raw) if needed else None


def _left(x: Floats, y: Floats) -> Floats:
    size = np.maximum(np.sqrt((x * x).mean(axis=0)), 1e-12)
    beta = np.linalg.lstsq(x / size, y, rcond=1e-8)[0]
    out: Floats = y - (x / size) @ beta
    return out
