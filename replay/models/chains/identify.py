"""Find the chain from the logs: variable projection over lines and gains.

What is linear (links, payload, friction, bias) is solved inside by ridge; the lines
and the logs of the gains outside, by Levenberg-Marquardt with Cauchy weights and
Kaufman's Jacobian (Golub & Pereyra 1973; Kaufman 1975). Friction columns are
projected out joint by joint first. Starts from random axes along x, y, z: about a
third arrive, and where the third best agrees with the best the search ends.

Longer than 245 lines because the search, its inner solution and its Jacobian are one method.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from replay.models.chains.chain import (
    G_M_S2,
    Chain,
    State,
    chain_of,
    columns,
    gravity_torques,
    random_lines,
    torques,
    unit_rows,
    weightless,
)
from replay.models.residuals import Flags, Floats, Index
from replay.statistics.spread import MAD_TO_SD_TABLE

RIDGE = 1e-6
FEW_ROWS, FINE_ROWS = 200, 1200
STEP = 1e-6
STARTS = 20
TRIED = 3
"""So many of the best starts are looked at on more rows."""
AGREE = 1.08
"""The third best cost within this of the best ends the search."""
TOUCH = 0.01
"""Share of a current that its law may be wrong by, beside its noise."""


@dataclass(frozen=True, slots=True)
class Problem:
    """Rows to explain: instants, currents (n, k), where they count, friction columns.

    ``basis`` holds per joint an orthonormal basis (n_j, p) of the weighted friction
    columns on the rows that count; ``sd`` (k,) a block's noise.
    """

    state: State
    current: Floats
    ok: Flags
    friction: Sequence[Floats]
    sd: Floats

    @property
    def count(self) -> int:
        """Joints."""
        return int(self.current.shape[1])


@dataclass(frozen=True, slots=True)
class _Fit:
    direction: Floats
    point: Floats
    log_gain: Floats
    gravity: Floats
    figures: Floats
    cost: float

    @property
    def falls(self) -> bool:
        """Whether there is gravity."""
        return bool(self.gravity.any())

    def chain(self) -> Chain:
        """Return the chain that this fit is."""
        gain = np.exp(self.log_gain)
        return chain_of(self.direction, self.point, self.figures, gain, self.gravity)


def identify(problem: Problem, *, seed: int = 0) -> tuple[Chain, float] | None:
    """Return the best chain and its cost (mean Cauchy loss a row), None where none is found.

    It is sought with gravity and without; what explains the currents better is kept.
    """
    rng = np.random.default_rng(seed)
    small = _some(problem, FEW_ROWS, rng)
    found = [*_from_anywhere(small, rng, weightless())[:1], *_falling(problem, small, rng)]
    fine = _some(problem, FINE_ROWS, rng)
    tried = [_improve(fine, f, turns=8) for f in sorted(found, key=lambda f: f.cost)[:TRIED]]
    good = [f for f in tried if f is not None]
    best = _improve(fine, min(good, key=lambda f: f.cost), turns=40) if good else None
    return None if best is None else (best.chain(), best.cost)


def _falling(problem: Problem, small: Problem, rng: np.random.Generator) -> list[_Fit]:
    """Return what starts with gravity come to, best first.

    How the arm stands on its second end is one more thing to find, and misleads a search for
    lines: each end is looked at alone first, then every way to stand on the other.
    """
    upward = np.array([[0.0, 0.0, G_M_S2]] * 2)
    end_b = problem.state.base_b > 0
    if end_b.all() or not end_b.any():
        return _from_anywhere(small, rng, upward)
    one_end = []
    for other, mine in ((1, ~end_b), (0, end_b)):
        rows = _some(rows_of(problem, np.flatnonzero(mine)), FEW_ROWS, rng)
        one_end += [(f.cost, other, f) for f in _from_anywhere(rows, rng, upward)[:1]]
    found = []
    for _, other, start in sorted(one_end, key=lambda f: f[0]):
        for way in np.concatenate([np.eye(3), -np.eye(3)]) * G_M_S2:
            gravity = start.gravity.copy()
            gravity[other] = way
            fit = _improve(small, replace(start, gravity=gravity), turns=10)
            found += [] if fit is None else [fit]
    return sorted(found, key=lambda f: f.cost)


def _from_anywhere(problem: Problem, rng: np.random.Generator, gravity: Floats) -> list[_Fit]:
    """Return what starts from random lines come to, best first."""
    found: list[_Fit] = []
    for _ in range(STARTS):
        direction, point = random_lines(problem.count, rng)
        start = _Fit(direction, point, np.zeros(problem.count), gravity, np.zeros(0), np.inf)
        fit = _improve(problem, start, turns=10)
        if fit is not None:
            found.append(fit)
            found.sort(key=lambda f: f.cost)
            if len(found) >= 3 and found[2].cost < AGREE * found[0].cost:
                break
    return found


def refit(problem: Problem, chain: Chain, *, turns: int = 3, seed: int = 1) -> Chain:
    """Return the chain fitted anew on other rows, from where it is: for folds."""
    gains = np.log(chain.gain)
    start = _Fit(chain.direction, chain.point, gains, chain.gravity, np.zeros(0), np.inf)
    rows = _some(problem, FINE_ROWS, np.random.default_rng(seed))
    fit = _improve(rows, start, turns=turns)
    return chain if fit is None else fit.chain()


def rows_of(problem: Problem, rows: Index) -> Problem:
    """Return some of the instants."""
    return Problem(
        problem.state.rows(rows),
        problem.current[rows],
        problem.ok[rows],
        [f[rows] for f in problem.friction],
        problem.sd,
    )


def _some(problem: Problem, most: int, rng: np.random.Generator) -> Problem:
    """Return at most so many instants, those with more acceleration more often."""
    n = len(problem.current)
    if n <= most:
        return problem
    push = np.abs(problem.state.accel)
    push = push / np.maximum(np.quantile(push, 0.9, axis=0), 1e-12)
    weight = 0.3 + np.minimum((push * problem.ok).max(axis=1), 3.0)
    weight *= problem.ok.any(axis=1)
    which = np.sort(rng.choice(n, most, replace=False, p=weight / weight.sum()))
    return rows_of(problem, which)


def _improve(problem: Problem, start: _Fit, *, turns: int) -> _Fit | None:
    """Run Levenberg-Marquardt from a start."""
    count = problem.count
    fit = start
    damping = 1e-2
    weights = _weights(problem, None)
    inner = _inner(problem, fit, weights)
    for _ in range(turns):
        jacobian = _jacobian(problem, fit, inner)
        gradient = jacobian.T @ inner.residual
        hessian = jacobian.T @ jacobian
        scale = np.diag(hessian) + 1e-9 * np.trace(hessian) / len(hessian)
        better = False
        for _ in range(5):
            try:
                step = -np.linalg.solve(hessian + damping * np.diag(scale), gradient).astype(
                    np.float64
                )
            except np.linalg.LinAlgError:
                return None
            trial = _moved(fit, step, count)
            next_inner = _inner(problem, trial, weights)
            if np.isfinite(next_inner.cost) and next_inner.cost < inner.cost:
                gain = 1 - next_inner.cost / inner.cost
                fit, inner = trial, next_inner
                damping = max(damping / 4, 1e-7)
                better = True
                break
            damping *= 6
        if not better:
            break
        weights = _weights(problem, inner.raw)
        inner = _inner(problem, fit, weights)
        if gain < 2e-4:
            break
    return replace(fit, figures=inner.figures, cost=loss_of(problem, inner.raw))


def _moved(fit: _Fit, step: Floats, count: int) -> _Fit:
    size = np.clip(step, -0.5, 0.5)
    direction = unit_rows(fit.direction + size[: 3 * count].reshape(count, 3))
    point = fit.point + step[3 * count : 6 * count].reshape(count, 3)
    gain, gravity = fit.log_gain.copy(), fit.gravity
    gain[1:] += size[6 * count : 7 * count - 1]
    if fit.falls:
        # the frame may be turned at will, so that one end's way up may stay as it is
        gravity = G_M_S2 * unit_rows(gravity / G_M_S2 + [[0, 0, 0], size[7 * count - 1 :]])
    return _Fit(direction, point, gain, gravity, fit.figures, np.inf)


@dataclass(frozen=True, slots=True)
class _Inner:
    figures: Floats
    residual: Floats
    raw: Floats
    cost: float
    phi: Floats
    factor: Floats
    size: Floats
    parts: list[tuple[Index, Floats, Floats]]
    """Per joint: its rows, square roots of their weights, basis of its friction."""


def _weights(problem: Problem, raw: Floats | None) -> Floats:
    """Return (n, k) weights: 1 / variance, Cauchy where residuals are known."""
    variance = problem.sd**2 + (TOUCH * np.nan_to_num(problem.current)) ** 2
    if raw is None:
        spread = np.array(
            [
                np.std(problem.current[ok, j]) if ok.any() else 1.0
                for j, ok in enumerate(problem.ok.T)
            ]
        )
        return np.where(problem.ok, 1 / (variance + (0.3 * spread) ** 2), 0.0)
    off = np.array(
        [
            MAD_TO_SD_TABLE * np.median(np.abs(raw[ok, j])) if ok.any() else 1.0
            for j, ok in enumerate(problem.ok.T)
        ]
    )
    total = np.maximum(variance, 0.25 * off**2)
    return np.where(problem.ok, 1 / total / (1 + raw**2 / (9 * np.maximum(total, off**2))), 0.0)


def loss_of(problem: Problem, raw: Floats) -> float:
    """Return the mean Cauchy loss of residuals (n, k) on the rows that count."""
    variance = problem.sd**2 + (TOUCH * np.nan_to_num(problem.current)) ** 2
    return float(np.mean(np.log1p((raw**2 / variance)[problem.ok] / 9)))


def _inner(problem: Problem, fit: _Fit, weights: Floats) -> _Inner:
    """Solve what is linear, friction projected out joint by joint."""
    y = columns(fit.direction, fit.point, problem.state, fit.gravity)
    gain = np.exp(fit.log_gain)
    phis, targets, parts = [], [], []
    for j in range(problem.count):
        rows = np.flatnonzero(problem.ok[:, j])
        root = np.sqrt(weights[rows, j])
        basis = np.linalg.qr(problem.friction[j][rows] * root[:, None])[0]
        phi = y[rows, j] * (gain[j] * root)[:, None]
        target = problem.current[rows, j] * root
        phis.append(phi - basis @ (basis.T @ phi))
        targets.append(target - basis @ (basis.T @ target))
        parts.append((rows, root, basis))
    phi = np.concatenate(phis)
    target = np.concatenate(targets)
    size = np.maximum(np.linalg.norm(phi, axis=0), 1e-12)
    unit = phi / size
    gram = unit.T @ unit
    gram[np.diag_indices_from(gram)] += RIDGE
    factor = np.linalg.inv(gram)
    figures = factor @ (unit.T @ target)
    residual = unit @ figures - target
    raw = np.zeros_like(problem.current)
    at = 0
    for j, (rows, root, _) in enumerate(parts):
        raw[rows, j] = residual[at : at + len(rows)] / root
        at += len(rows)
    cost = float(residual @ residual) + RIDGE * float(figures @ figures)
    return _Inner(figures / size, residual, raw, cost, unit, factor, size, parts)


def _jacobian(problem: Problem, fit: _Fit, inner: _Inner) -> Floats:
    """Return Kaufman's Jacobian: the change at fixed figures, projected off the columns."""
    count, n = problem.count, len(problem.state)
    outer = 6 * count
    chain = replace(fit, figures=inner.figures).chain()
    base = torques(chain, problem.state)
    pulls = G_M_S2 * gravity_torques(chain, problem.state) * chain.gain if fit.falls else None
    moves = np.eye(outer).reshape(outer, 2, count, 3) * STEP
    direction = unit_rows(fit.direction[None] + moves[:, 0])
    point = fit.point[None] + moves[:, 1]
    repeated = State(
        np.tile(problem.state.angle, (outer, 1)),
        np.tile(problem.state.rate, (outer, 1)),
        np.tile(problem.state.accel, (outer, 1)),
        np.tile(problem.state.base_b, outer),
        np.tile(problem.state.payload_kg, outer),
    )
    shifted = torques(
        chain, repeated, (np.repeat(direction, n, axis=0), np.repeat(point, n, axis=0))
    ).reshape(outer, n, count)
    change = (shifted - base[None]) / STEP * chain.gain
    parts = []
    for j, (rows, root, basis) in enumerate(inner.parts):
        own = (change[:, rows, j] * root).T
        gains = np.zeros((len(rows), count - 1))
        if j:
            gains[:, j - 1] = base[rows, j] * chain.gain[j] * root
        falls = np.zeros((len(rows), 0)) if pulls is None else (pulls[:, rows, j] * root).T
        whole = np.concatenate([own, gains, falls], axis=1)
        parts.append(whole - basis @ (basis.T @ whole))
    jacobian = np.concatenate(parts)
    out: Floats = jacobian - inner.phi @ (inner.factor @ (inner.phi.T @ jacobian))
    return out
