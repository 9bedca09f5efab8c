"""A load that no column declares: estimated within the session, with its doubt.

For every block each mass on a grid costs what it leaves unexplained, over all joints:
sum of min(z^2, 16) / 8, at rest what exceeds breakaway at half weight. The least costly
path through time (Viterbi, IEEE Trans. Inf. Theory 13, 1967) may change mass at 8 nats
near rest and 60 in motion: loads are picked up and put down at rest. Masses of stretches
are then fitted, and stretches alike share one. A true change of a load that nobody
declares cannot be told from another load: it is reported, not judged.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from replay.models.grid.blocks import SessionBlocks
from replay.models.residuals import Flags, Floats, PayloadEstimate
from replay.statistics.spread import MAD_TO_SD_TABLE

GRID = 61
REACH = 3.0
"""The grid's end over the largest mass that training declared."""
CAP, WEIGHT, REST_WEIGHT = 16.0, 1 / 8, 0.5
CHANGE_AT_REST, CHANGE_IN_MOTION = 8.0, 60.0
STEP_S = 1.0
COLOUR = 25.0
"""Blocks of one stretch that say as much as an independent one."""
FEWEST_NATS = 20.0
"""An unlogged load is believed where it explains this much more than none."""


@dataclass(frozen=True, slots=True)
class Payloads:
    """The payload of every block: mass, standard deviation, and whether a log said so."""

    mass_kg: Floats
    sd_kg: Floats
    declared: bool
    stretches: tuple[PayloadEstimate, ...] = ()


@dataclass(frozen=True, slots=True)
class Evidence:
    """One joint's say on the mass, (n,) each: residual at none, its change a kilogram.

    Its standard deviation is hypot(``sd_a``, ``grows_a`` times the mass): what the law
    is off by a share grows with the load. ``limit_a`` is breakaway where the joint
    rests, 0 where it slides; ``ok`` both.
    """

    residual_a: Floats
    per_kg_a: Floats
    sd_a: Floats
    grows_a: Floats
    limit_a: Floats
    ok: Flags


def declared(blocks: SessionBlocks) -> Payloads:
    """Return the payload that the log declares; 0 where it says nothing.

    While a mass changes, a filtered block knows neither the old nor the new.
    """
    known = np.isfinite(blocks.payload_kg)
    mass = np.where(known, blocks.payload_kg, 0.0)
    if not len(mass):
        return Payloads(mass, mass, False)
    return Payloads(mass, _changing(mass, blocks, 1.0), bool(known.any()))


def reach(blocks: SessionBlocks, more_s: float) -> int:
    """Return over how many blocks a change is felt, its filter's support and some seconds."""
    return 1 + 2 * int(np.ceil((0.5 * blocks.support_s + more_s) / blocks.step_s))


def _changing(mass: Floats, blocks: SessionBlocks, more_s: float) -> Floats:
    width = reach(blocks, more_s)
    most = maximum_filter1d(mass, width, mode="nearest")
    least = minimum_filter1d(mass, width, mode="nearest")
    out: Floats = 0.5 * (most - least)
    return out


def estimate(
    blocks: SessionBlocks,
    evidence: Mapping[str, Evidence],
    resting: Flags,
    scale_kg: float,
) -> Payloads:
    """Return the payload that a session's own motion tells.

    Parameters
    ----------
    blocks : SessionBlocks
    evidence : mapping
        By joint; a joint without a say may be left out.
    resting : (n,) bool
        Blocks in which no joint slides.
    scale_kg : float
        The largest mass that training declared.
    """
    n = len(blocks)
    nothing = Payloads(np.zeros(n), np.full(n, 0.0), False)
    sayers = [e for e in evidence.values() if np.any(e.ok) and np.any(e.per_kg_a)]
    if not sayers or scale_kg <= 0 or n < 3:
        return nothing
    masses = np.linspace(0, REACH * scale_kg, GRID)
    each = max(1, round(STEP_S / blocks.step_s))
    cost = np.zeros((-(-n // each), GRID))
    for e in sayers:
        cost += _folded(_cost(e, masses), each)
    calm = np.array([resting[k : k + each].any() for k in range(0, n, each)])
    path = _cheapest(cost, np.where(calm, CHANGE_AT_REST, CHANGE_IN_MOTION))
    total = float(cost[np.arange(len(path)), path].sum())
    if cost[:, 0].sum() - total < FEWEST_NATS:
        path = np.zeros_like(path)
    edges = [0, *(np.flatnonzero(np.diff(path)) + 1), len(path)]
    spans = [(a * each, min(b * each, n)) for a, b in pairwise(edges)]
    fitted = [
        _mass(sayers, slice(a, b), float(masses[path[min(a // each, len(path) - 1)]]), scale_kg)
        for a, b in spans
    ]
    fitted = _levels(fitted)
    mass, sd = np.zeros(n), np.zeros(n)
    stretches: list[PayloadEstimate] = []
    for (a, b), (kg, doubt) in zip(spans, fitted, strict=True):
        mass[a:b], sd[a:b] = kg, doubt
        stretches.append(PayloadEstimate(float(blocks.t_s[a]), float(blocks.t_s[b - 1]), kg, doubt))
    sd = np.hypot(sd, _changing(mass, blocks, 2 * STEP_S))
    return Payloads(mass, sd, False, tuple(stretches))


def _cost(e: Evidence, masses: Floats) -> Floats:
    rows = np.flatnonzero(e.ok)
    off = e.residual_a[rows, None] - e.per_kg_a[rows, None] * masses[None, :]
    limit = e.limit_a[rows, None]
    # half a step of the grid is nobody's fault
    grid = 0.3 * (masses[1] - masses[0]) * np.abs(e.per_kg_a[rows, None])
    usual = e.sd_a[rows, None] ** 2 + grid**2
    variance = usual + (e.grows_a[rows, None] * masses[None, :]) ** 2
    square = np.maximum(np.abs(off) - limit, 0) ** 2 / variance
    weight = np.where(e.limit_a[rows] > 0, REST_WEIGHT * WEIGHT, WEIGHT)
    out = np.zeros((len(e.ok), len(masses)))
    out[rows] = (np.minimum(square, CAP) + np.log(variance / usual)) * weight[:, None]
    return out


def _folded(cost: Floats, each: int) -> Floats:
    short = (-len(cost)) % each
    padded = np.concatenate([cost, np.zeros((short, cost.shape[1]))])
    out: Floats = padded.reshape(-1, each, cost.shape[1]).sum(axis=1)
    return out


def _cheapest(cost: Floats, change: Floats) -> NDArray[np.int64]:
    """Return the least costly path; ``change`` (t,) is what another mass costs there."""
    count, width = cost.shape
    back = np.zeros((count, width), dtype=np.int32)
    own = np.arange(width)
    best = cost[0].copy()
    for t in range(1, count):
        from_best = int(np.argmin(best))
        jump = best[from_best] + change[t]
        moved = best > jump
        back[t] = np.where(moved, from_best, own)
        best = np.where(moved, jump, best) + cost[t]
    path = np.zeros(count, dtype=np.int64)
    path[-1] = int(np.argmin(best))
    for t in range(count - 1, 0, -1):
        path[t - 1] = back[t, path[t]]
    return path


def _mass(
    sayers: Sequence[Evidence], span: slice, start: float, scale_kg: float
) -> tuple[float, float]:
    """Return a stretch's mass and its standard deviation; one unmoved knows its start badly."""
    r, x, s, g = [], [], [], []
    for e in sayers:
        rows = e.ok[span] & (e.limit_a[span] == 0)
        r.append(e.residual_a[span][rows])
        x.append(e.per_kg_a[span][rows])
        s.append(e.sd_a[span][rows])
        g.append(e.grows_a[span][rows])
    residual, slope, grows = np.concatenate(r), np.concatenate(x), np.concatenate(g)
    quiet = np.concatenate(s)
    sd = np.hypot(quiet, grows * start)
    prior = (0.3 * scale_kg) ** -2
    kg, weight = start, np.zeros(0)
    for _ in range(6):
        sd = np.hypot(quiet, grows * kg)
        z = (residual - slope * kg) / sd
        weight = 1 / (sd**2 * (1 + z * z / 9)) / COLOUR
        kg = float(
            (np.sum(weight * slope * residual) + prior * start)
            / (np.sum(weight * slope**2) + prior)
        )
    off = np.abs(residual - slope * kg) / sd
    misfit = max(1.0, float(MAD_TO_SD_TABLE * np.median(off)) if len(sd) else 1)
    doubt = misfit * float((np.sum(weight * slope**2) + prior) ** -0.5)
    return max(kg, 0.0), doubt


def _levels(fitted: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Let stretches whose masses agree share one."""
    order = np.argsort([kg for kg, _ in fitted])
    groups: list[list[int]] = []
    for k in order:
        kg, sd = fitted[k]
        if groups:
            last, wide = _pooled([fitted[j] for j in groups[-1]])
            if abs(kg - last) < 3 * np.hypot(sd, wide):
                groups[-1].append(int(k))
                continue
        groups.append([int(k)])
    out = list(fitted)
    for group in groups:
        shared = _pooled([fitted[j] for j in group])
        for j in group:
            out[j] = shared
    return out


def _pooled(members: list[tuple[float, float]]) -> tuple[float, float]:
    weight = np.array([sd**-2 for _, sd in members])
    kg = float(np.average([kg for kg, _ in members], weights=weight))
    spread = float(np.sqrt(np.average([(k - kg) ** 2 for k, _ in members], weights=weight)))
    return kg, float(np.hypot(weight.sum() ** -0.5, spread))
