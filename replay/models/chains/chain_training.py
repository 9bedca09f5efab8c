"""Learn a chain from sessions without an arm file, and give loads by it.

A chain is sought only where friction and a joint's own acceleration leave more than
noise, and kept only where it explains more than they do. What no session excited
(a base end, a payload there) is refused, not believed: such a column comes out
certain and wrong. The spread of chains refitted without each fold is the doubt.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from replay.models.chains.chain import Chain, State, torques, weightless
from replay.models.chains.chain_problem import problem_of, state_of, without_chain
from replay.models.chains.identify import identify, refit, rows_of
from replay.models.grid.blocks import SessionBlocks
from replay.models.loading.loads import IDENTIFIED, Loads, running_rms
from replay.models.residuals import Flags, Floats

FEWEST_SESSIONS = 5


FEWEST_ROWS = 150


WORTH = 0.85
"""A chain is kept when its loss is at most this share of theirs."""


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
    problem, fold_of = problem_of(blocks, payloads, folds)
    if problem is None or (problem.ok.sum(axis=0) < FEWEST_ROWS).any():
        return None
    plain = without_chain(problem)
    if plain is None:
        return None
    found = identify(problem)
    if found is None:
        return None
    chain, cost = found
    if cost > WORTH * plain:
        return None
    parts = []
    for fold in range(max(folds) + 1):
        rows = np.flatnonzero(fold_of != fold)
        whole = len(rows) in (0, len(fold_of))
        parts.append(chain if whole else refit(rows_of(problem, rows), chain))
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
    floating = replace(known.chain, gravity=weightless())
    shaken = np.repeat(torques(floating, still) * known.chain.gain, EACH, axis=0)[:n]
    return Loads(
        _by_joint(known.joints, bare),
        _by_joint(known.joints, per_kg),
        IDENTIFIED,
        _by_joint(known.joints, doubt),
        {j: running_rms(shaken[:, k]) for k, j in enumerate(known.joints)},
        _moments(known, state, unloaded),
    )


def _moments(known: ChainModel, state: State, unloaded: Flags) -> Mapping[str, Floats]:
    """Return (n, 3) ampere a kilogram whose mass centre is one unit of the chain's length off.

    Along the axes of the frame that all links share at zero angles; the unit is free, as the
    chain's lengths are.
    """
    out = np.zeros((*state.angle.shape, 3))
    carrying = np.flatnonzero((state.payload_kg > 0) & ~unloaded)
    some = _with_payload(state.rows(carrying), np.ones(len(carrying)))
    for axis in range(3):
        alone = np.zeros_like(known.chain.payload)
        alone[:, 1 + axis] = 1.0
        bare = replace(known.chain, links=np.zeros_like(known.chain.links), payload=alone)
        out[carrying, :, axis] = torques(bare, some) * known.chain.gain
    return {name: out[:, k] for k, name in enumerate(known.joints)}


def _by_joint(names: Sequence[str], table: Floats) -> Mapping[str, Floats]:
    return {name: table[:, k] for k, name in enumerate(names)}


def _with_payload(state: State, payload_kg: Floats) -> State:
    return State(state.angle, state.rate, state.accel, state.base_b, payload_kg)
