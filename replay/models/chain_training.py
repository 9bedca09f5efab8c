"""Learn a chain from sessions without an arm file, and give loads by it.

A chain is sought only where friction and a joint's own acceleration leave more than
noise, and kept only where it explains more than they do. What no session excited
(a base end, a payload there) is refused, not believed: such a column comes out
certain and wrong. The spread of chains refitted without each fold is the doubt.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from replay.models.blocks import SessionBlocks
from replay.models.chain import G_M_S2, Chain, State, joined, torques
from replay.models.conditions import lagged
from replay.models.identify import Problem, identify, loss_of, refit
from replay.models.loads import IDENTIFIED, Loads, running_rms
from replay.models.residuals import SLIDING, Flags, Floats, Index
from replay.statistics.spread import spread_about_zero

FEWEST_SESSIONS = 5
FEWEST_ROWS = 150
NOT_NEEDED = 1.5
"""Residuals of friction and own acceleration within this many noises need no chain."""
WORTH = 0.85
"""A chain is kept when its loss is at most this share of theirs."""
POSTURE_SHARE = 0.3
"""Share of slow motion's residual that posture must tell, on other sessions, for gravity."""
MOST_BLOCKS = 4000
EACH = 5
"""The folds' spread is worked out at every so many-th block."""


@dataclass(frozen=True, slots=True)
class ChainModel:
    """A learned chain, its folds, and what training excited: base ends, loads there."""

    joints: tuple[str, ...]
    chain: Chain
    folds: tuple[Chain, ...]
    bases: tuple[bool, ...]
    loaded: tuple[bool, ...]


def learn_chain(
    blocks: Sequence[SessionBlocks], payloads: Sequence[Floats], folds: Sequence[int]
) -> ChainModel | None:
    """Return the chain that these sessions tell; None where none is told or needed."""
    names = tuple(blocks[0].joints)
    if len(blocks) < FEWEST_SESSIONS or len(names) < 2:
        return None
    if any(tuple(b.joints) != names for b in blocks):
        return None
    problem, fold_of = _problem(blocks, payloads, folds)
    if problem is None or (problem.ok.sum(axis=0) < FEWEST_ROWS).any():
        return None
    plain, gravity_told = _without(problem, fold_of)
    if plain is None:
        return None
    found = identify(problem, G_M_S2 if gravity_told else 0.0)
    if found is None:
        return None
    chain, cost = found
    if cost > WORTH * plain:
        return None
    parts = []
    for fold in range(max(folds) + 1):
        rows = np.flatnonzero(fold_of != fold)
        whole = len(rows) in (0, len(fold_of))
        parts.append(chain if whole else refit(_rows(problem, rows), chain))
    base_b = problem.state.base_b > 0
    heavy = problem.state.payload_kg > 0
    sides = (~base_b, base_b)
    return ChainModel(
        names,
        chain,
        tuple(parts),
        tuple(bool(side.any()) for side in sides),
        tuple(bool((side & heavy).any()) for side in sides),
    )


def without_fold(known: ChainModel, fold: int) -> ChainModel:
    """Return the model whose chain did not see a fold's sessions."""
    chain = known.folds[fold] if fold < len(known.folds) else known.chain
    return ChainModel(known.joints, chain, known.folds, known.bases, known.loaded)


def chain_loads(blocks: SessionBlocks, known: ChainModel, payload_kg: Floats) -> Loads | None:
    """Return loads in ampere by a learned chain; None where a joint or its angle lacks."""
    if any(j not in blocks.joints for j in known.joints) or not len(blocks):
        return None
    state, fine = state_of(blocks, known.joints, payload_kg)
    if not fine.any():
        return None
    n, count = state.angle.shape
    empty = _with_payload(state, np.zeros(n))
    bare = torques(known.chain, empty) * known.chain.gain
    loaded = torques(known.chain, _with_payload(state, np.ones(n))) * known.chain.gain
    side = (state.base_b > 0).astype(int)
    untaught = ~np.array(known.bases)[side]
    per_kg = loaded - bare
    unloaded = ~np.array(known.loaded)[side]
    per_kg[unloaded] = 0.0
    bare[~fine | untaught | (unloaded & (payload_kg > 0))] = np.nan
    some = np.arange(0, n, EACH)
    thin = state.rows(some)
    each = np.stack([torques(c, thin) * c.gain for c in known.folds])
    share = (len(each) - 1) / len(each)
    spread = np.sqrt(share * ((each - each.mean(axis=0)) ** 2).sum(axis=0))
    doubt = np.repeat(spread, EACH, axis=0)[:n]
    sd = np.radians([blocks.fineness[j].accel_noise_deg_s2 for j in known.joints])
    draws = np.random.default_rng(0).standard_normal((len(some), count)) * sd
    still = State(thin.angle, np.zeros_like(thin.angle), draws, thin.base_b, thin.payload_kg)
    weightless = Chain(
        known.chain.direction,
        known.chain.point,
        known.chain.links,
        known.chain.payload,
        known.chain.gain,
        0.0,
    )
    shaken = np.repeat(torques(weightless, still) * known.chain.gain, EACH, axis=0)[:n]
    return Loads(
        _by_joint(known.joints, bare),
        _by_joint(known.joints, per_kg),
        IDENTIFIED,
        _by_joint(known.joints, doubt),
        {j: running_rms(shaken[:, k]) for k, j in enumerate(known.joints)},
    )


def _by_joint(names: Sequence[str], table: Floats) -> Mapping[str, Floats]:
    return {name: table[:, k] for k, name in enumerate(names)}


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


def _with_payload(state: State, payload_kg: Floats) -> State:
    return State(state.angle, state.rate, state.accel, state.base_b, payload_kg)


def _rows(problem: Problem, rows: Index) -> Problem:
    return Problem(
        problem.state.rows(rows),
        problem.current[rows],
        problem.ok[rows],
        [f[rows] for f in problem.friction],
        problem.sd,
    )


def _problem(
    blocks: Sequence[SessionBlocks], payloads: Sequence[Floats], folds: Sequence[int]
) -> tuple[Problem | None, Floats]:
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


def _without(problem: Problem, folds: Floats) -> tuple[float | None, bool]:
    """Return the loss without a chain (None: none is needed), and whether posture tells."""
    raw = np.zeros_like(problem.current)
    needed = told = False
    for j in range(problem.count):
        rows = np.flatnonzero(problem.ok[:, j])
        y = problem.current[rows, j]
        accel = problem.state.accel[rows, j]
        plain = _left(np.column_stack([problem.friction[j][rows], accel]), y)
        raw[rows, j] = plain
        scale = spread_about_zero(plain)
        needed |= scale > NOT_NEEDED * 3 * problem.sd[j]
        push = np.abs(problem.state.accel[rows]) / np.maximum(
            np.quantile(np.abs(problem.state.accel), 0.9, axis=0), 1e-12
        )
        slow = push.max(axis=1) <= np.quantile(push.max(axis=1), 0.4)
        told |= _posture_tells(
            problem.state.rows(rows[slow]), plain[slow], folds[rows][slow], 3 * problem.sd[j]
        )
    return (loss_of(problem, raw) if needed or told else None), told


def _left(x: Floats, y: Floats) -> Floats:
    size = np.maximum(np.sqrt((x * x).mean(axis=0)), 1e-12)
    beta = np.linalg.lstsq(x / size, y, rcond=1e-8)[0]
    out: Floats = y - (x / size) @ beta
    return out


def _posture_tells(state: State, rest: Floats, folds: Floats, noise: float) -> bool:
    """Tell whether slow motion's residual follows the angles, on sessions left out."""
    if len(rest) < 60 or spread_about_zero(rest) < 2 * noise:
        return False
    sums = [state.angle, np.cumsum(state.angle, axis=1)[:, 1:]]
    phases = np.concatenate(sums, axis=1)
    x = np.concatenate([np.ones((len(rest), 1)), np.sin(phases), np.cos(phases)], axis=1)
    most = float(state.payload_kg.max(initial=0.0))
    if most > 0:
        x = np.concatenate([x, x * (state.payload_kg / most)[:, None]], axis=1)
    left = np.zeros(len(rest))
    for fold in np.unique(folds):
        mine = folds == fold
        gram = x[~mine].T @ x[~mine] + 1e-2 * len(rest) * np.eye(x.shape[1]) / x.shape[1]
        beta = np.linalg.solve(gram, x[~mine].T @ rest[~mine])
        left[mine] = rest[mine] - x[mine] @ beta
    told = 1 - (spread_about_zero(left) / spread_about_zero(rest)) ** 2
    return bool(told > POSTURE_SHARE)
