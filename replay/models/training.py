"""Learning a model of every joint unit: folds by session, odd sessions set aside.

Every residual that anything is judged by comes from a fit that did not see its
session.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

from replay.archive import Archive
from replay.errors import BaselineError
from replay.models.blocks import (
    LADDER_S,
    Fineness,
    JointBlocks,
    Piece,
    SessionBlocks,
    choose_filter,
    condense,
)
from replay.models.chain_training import ChainModel, learn_chain, without_fold
from replay.models.conditions import base_of, conditions, usable
from replay.models.current import (
    BASE,
    OPTIONAL,
    Conditions,
    Sums,
    cauchy_weights,
    choose,
    clustered_covariance,
    design,
    solve,
    sums,
    total,
    widths,
)
from replay.models.joint_unit import TERMS, UnitModel, levels, predict, variance_terms
from replay.models.loads import FROM_FILE, IDENTIFIED, NONE, Loads, arm_file_loads, swing
from replay.models.model import Model, loads_for, payload_of, residuals_of
from replay.models.payload import Payloads, declared
from replay.models.residuals import (
    HELD,
    RESTING,
    SLIDING,
    Flags,
    Floats,
    Index,
    SessionResiduals,
)
from replay.models.servo import ServoLaw, fit_servo, servo_columns
from replay.models.variance import Noise, Trained, cells_of, fit_noise, fit_trained
from replay.settings import setting
from replay.statistics.spread import spread_about_zero

Progress = Callable[[str, int, int], None]

FOLDS = 5
MOST_ROWS = 6000
"""Sliding blocks of a session that a fit uses."""
READERS = 2
WRONG_SHARE = 0.3
"""Share of the joints whose loads must misfit before an arm file is refused."""
FEWEST_DECLARED = 4
"""Sessions that must declare a load before those of others are estimated."""
BOUNDS = {"asymmetry": 0.12, "asymmetric rate": 0.3}
"""Shares of the friction's level that differ between directions at most."""


@dataclass(frozen=True, slots=True)
class Case:
    """One session of one unit, ready to be fitted."""

    index: int
    session: str
    joint: str
    blocks: SessionBlocks
    loads: Loads
    payload: Payloads

    @property
    def mine(self) -> JointBlocks:
        """The joint's own blocks."""
        return self.blocks.joints[self.joint]

    @property
    def fine(self) -> Fineness:
        """What its recorder resolves."""
        return self.blocks.fineness[self.joint]


@dataclass(slots=True)
class Training:
    """What was learned, and how it judges the sessions that it was learned from."""

    model: Model
    folds: list[Model]
    fold_of: dict[str, int]
    blocks: list[SessionBlocks]

    @property
    def sessions(self) -> tuple[str, ...]:
        """Names of all sessions read."""
        return tuple(b.record.session for b in self.blocks)

    @property
    def set_aside(self) -> dict[str, tuple[str, ...]]:
        """Sessions by unit that stood out and taught nothing."""
        return {s: u.set_aside for s, u in self.model.units.items() if u.set_aside}

    def held_out(self) -> Iterator[SessionResiduals]:
        """Yield each session's residuals by the fit that left it out, in order of reading."""
        for blocks in self.blocks:
            fold = self.fold_of[blocks.record.session]
            yield residuals_of(self.folds[fold], blocks)


def fit(
    archive: Archive,
    sessions: Iterable[str],
    *,
    visit: Callable[[Piece], None] | None = None,
    progress: Progress | None = None,
) -> Training:
    """Learn from these sessions; ``visit`` sees every piece as it was logged, in order."""
    names = sorted(dict.fromkeys(sessions), key=lambda n: (archive.session(n).start, n))
    if not names:
        raise BaselineError("no session to learn from", todo="`jointbook ingest` some logs first")
    filter_s = choose_filter(archive, names)
    blocks: list[SessionBlocks] = []
    with ThreadPoolExecutor(READERS if visit is None else 1) as readers:
        for k, made in enumerate(
            readers.map(lambda n: condense(archive, n, visit, filter_s=filter_s), names)
        ):
            blocks.append(made)
            if progress is not None:
                progress("read", k + 1, len(names))
    return fit_blocks(blocks, progress, filter_s=filter_s)


def fit_blocks(
    blocks: list[SessionBlocks], progress: Progress | None = None, *, filter_s: float = LADDER_S[0]
) -> Training:
    """Learn from sessions that were condensed with boxes of ``filter_s``."""
    count = len(blocks)
    fold_of = {b.record.session: k % min(FOLDS, count) for k, b in enumerate(blocks)}
    payloads = [declared(b) for b in blocks]
    scale = max((float(p.mass_kg.max(initial=0.0)) for p in payloads), default=0.0)
    unknown = [k for k, p in enumerate(payloads) if not p.declared] if scale > 0 else []
    known = [k for k in range(count) if k not in unknown]
    if len(known) < FEWEST_DECLARED:
        known, unknown = list(range(count)), []
    chosen = choose_source([blocks[k] for k in known], [payloads[k] for k in known], fold_of)
    if progress is not None:
        progress("loads", 1, 1)
    if unknown:
        # what declares its load teaches first; the others' loads are estimated by that
        first = _fit_all(
            [blocks[k] for k in known], [payloads[k] for k in known], fold_of, chosen, filter_s
        )
        for k in unknown:
            loads = loads_for(blocks[k], first.model.loads, first.model.chain)
            payloads[k] = payload_of(first.model, blocks[k], loads)
    return _fit_all(blocks, payloads, fold_of, chosen, filter_s, progress)


@dataclass(frozen=True, slots=True)
class Source:
    """Where loads come from, the chain if one was learned, and what is to be said of it."""

    name: str
    chain: ChainModel | None
    notes: tuple[str, ...] = ()


def choose_source(
    blocks: Sequence[SessionBlocks], payloads: Sequence[Payloads], fold_of: dict[str, int]
) -> Source:
    """Return the arm file's loads where they fit, else an identified chain, else none."""
    if all(arm_file_loads(b) is not None for b in blocks):
        misfits = arm_file_misfits(blocks, payloads)
        wrong = [text for base, text in sorted(misfits.items()) if text]
        if not wrong:
            return Source(FROM_FILE, None)
        chain = _chain(blocks, payloads, fold_of)
        told = "; loads come from a chain identified from the logs" if chain else ""
        return Source(IDENTIFIED if chain else FROM_FILE, chain, tuple(f"{w}{told}" for w in wrong))
    chain = _chain(blocks, payloads, fold_of)
    return Source(IDENTIFIED if chain else NONE, chain)


def _chain(
    blocks: Sequence[SessionBlocks], payloads: Sequence[Payloads], fold_of: dict[str, int]
) -> ChainModel | None:
    with threadpool_limits(1):
        return learn_chain(
            blocks,
            [p.mass_kg for p in payloads],
            [fold_of[b.record.session] for b in blocks],
        )


def arm_file_misfits(
    blocks: Sequence[SessionBlocks], payloads: Sequence[Payloads]
) -> dict[str, str]:
    """Return by base end what is wrong with the arm file's loads, empty where they fit.

    Per joint and base end, friction and the file's torque are fitted to the current;
    a torque that leaves more than `load_misfit` of what it should explain is wrong.
    """
    rows: dict[tuple[str, str], list[tuple[Floats, Floats, Floats]]] = {}
    for one, payload in zip(blocks, payloads, strict=True):
        loads = arm_file_loads(one)
        assert loads is not None
        base = base_of(one) or "A"
        for joint, mine in one.joints.items():
            if joint not in loads.bare:
                continue
            torque = loads.bare[joint] + loads.per_kg[joint] * payload.mass_kg
            at = (mine.state == SLIDING) & np.isfinite(torque) & np.isfinite(mine.current_a)
            if at.sum() > 20:
                rate = mine.rate_deg_s[at]
                fast = max(float(np.quantile(np.abs(rate), 0.98)), 1e-9)
                sign, w = np.sign(rate), rate / fast
                friction = np.stack([np.ones(len(w)), sign, w, sign * np.sqrt(np.abs(w))], axis=1)
                rows.setdefault((base, joint), []).append(
                    (friction, torque[at], mine.current_a[at])
                )
    off: dict[str, list[float]] = {}
    for (base, _), parts in rows.items():
        friction, torque, y = (np.concatenate(p) for p in zip(*parts, strict=True))
        basis = np.linalg.qr(friction)[0]
        left = y - basis @ (basis.T @ y)
        own = torque - basis @ (basis.T @ torque)
        gain = float(own @ left / max(own @ own, 1e-300))
        rest = left - gain * own
        # only where the load is large is there something to explain
        top = np.abs(own) >= np.quantile(np.abs(own), 0.85)
        if spread_about_zero(left[top]) > 2 * spread_about_zero(left[~top]):
            told = 1 - (spread_about_zero(rest[top]) / spread_about_zero(left[top])) ** 2
            off.setdefault(base, []).append(told)
    said = {}
    for base, shares in off.items():
        bad = [share for share in shares if share < setting("load_misfit")]
        said[base] = (
            f"the arm file's loads do not fit from base end {base}: at {len(bad)} of "
            f"{len(shares)} joints they explain less than half of what large loads ask "
            "(frames, axes' signs, masses or the base end may be wrong)"
            if len(bad) >= 2 and len(bad) >= WRONG_SHARE * len(shares)
            else ""
        )
    return said


def _fit_all(
    blocks: list[SessionBlocks],
    payloads: list[Payloads],
    fold_of: dict[str, int],
    source: Source,
    filter_s: float,
    progress: Progress | None = None,
) -> Training:
    """Fit every unit on sessions whose loads are given."""
    count = max(fold_of.values()) + 1
    cases: dict[str, list[Case]] = {}
    chain = source.chain
    for k, (one, payload) in enumerate(zip(blocks, payloads, strict=True)):
        # each session's loads by the chain that did not see it
        fold = fold_of[one.record.session]
        own = chain if chain is None else without_fold(chain, fold)
        loads = loads_for(one, source.name, own)
        for joint in one.joints:
            if np.isfinite(one.joints[joint].current_a).sum() < 20:
                continue
            serial = one.record.unit(joint)
            cases.setdefault(serial, []).append(
                Case(k, one.record.session, joint, one, loads, payload)
            )
    units: dict[str, UnitModel] = {}
    by_fold: list[dict[str, UnitModel]] = [{} for _ in range(count)]
    for done, (serial, mine) in enumerate(sorted(cases.items())):
        whole, parts = fit_unit(serial, mine, np.array([fold_of[c.session] for c in mine]))
        units[serial] = whole
        for fold, part in parts.items():
            by_fold[fold][serial] = part
        if progress is not None:
            progress("fit", done + 1, len(cases))
    if not units:
        raise BaselineError(
            "no joint has enough samples with a current to learn from",
            todo="choose longer sessions, or more of them",
        )
    for known in by_fold:
        for serial, unit in units.items():
            known.setdefault(serial, unit)
    model = Model(units, source.name, filter_s, source.notes, chain)
    folds = [
        replace(model, units=known, chain=chain if chain is None else without_fold(chain, k))
        for k, known in enumerate(by_fold)
    ]
    return Training(model, folds, fold_of, blocks)


@dataclass(slots=True)
class _Rows:
    """One session's sliding rows of a unit."""

    at: Conditions
    y: Floats
    noise_nm: Floats
    swing_nm: Floats
    hours: float
    session: str


def _pick(at: Conditions, rows: Index) -> Conditions:
    return Conditions(
        at.rate[rows],
        at.accel[rows],
        at.torque_nm[rows],
        {k: v[rows] for k, v in at.heat_k.items()},
        at.angle_deg[rows],
    )


def fit_unit(
    serial: str, cases: list[Case], folds: Floats
) -> tuple[UnitModel, dict[int, UnitModel]]:
    """Fit one unit: the whole model, and one without each fold."""
    fast, reference, heat_range, payload_scale = _scales(cases)
    bias, bias_sd, held_sd = _bias(cases)
    rows = [_sliding(c, fast, reference) for c in cases]
    floor = max(float(np.median([c.fine.current_noise_a for c in cases])), 1e-6) ** 2 / 50
    floor = max(floor, (float(np.median([c.fine.current_resolution_a for c in cases])) ** 2) / 100)
    y = np.concatenate([r.y for r in rows]) if rows else np.zeros(0)
    blank = UnitModel(
        serial=serial,
        joint=cases[0].joint,
        names=(),
        coef=np.zeros(0),
        covariance=np.zeros((0, 0)),
        fast_deg_s=fast,
        reference_c=reference,
        temperature_range_c=heat_range,
        payload_scale_kg=payload_scale,
        bias_a=bias,
        bias_sd_a=bias_sd,
        held_sd_a=held_sd,
        sample_noise_a=float(np.median([c.fine.current_noise_a for c in cases])),
        moving_a=float(np.median(np.abs(y))) if len(y) else 0.0,
        noise=Noise(np.eye(TERMS)[0] * max(floor, 1e-12), floor),
        trained=Trained(np.zeros((0, 3)), np.zeros((0, 0))),
        rest_noise=Noise(np.eye(TERMS)[0] * held_sd**2, held_sd**2),
        breakaway_a=0.0,
        explained=0.0,
        servo=None,
        hours=sum(r.hours for r in rows),
        sessions=tuple(c.session for c in cases),
    )
    if len(y) < 50:
        return blank, {}
    level = max(float(np.median(np.abs(y - bias))), 1e-6)
    centre_of, sd_of = _priors(rows, level, bias, bias_sd)
    names = [*BASE, *(n for g in OPTIONAL for n in g if not n.startswith("ripple"))]
    if not any(np.any(r.at.torque_nm) for r in rows):
        names = [n for n in names if n not in ("torque", "load", "warm torque")]
    if np.isfinite(bias_sd):
        names.remove("bias")
        for r in rows:
            r.y = r.y - bias
    spots = _places(names)
    limits = np.concatenate(
        [
            np.full(w, BOUNDS.get(n, np.inf) * level)
            for n, w in zip(names, widths(names), strict=True)
        ]
    )
    centre = np.array([centre_of.get(n, 0.0) for n in names])
    stiffness = np.array([sd_of(n) ** -2 for n in names])
    xs = [design(names, r.at) for r in rows]
    weights = [np.full(len(r.y), level**-2) for r in rows]
    base = [n for n in BASE if n in names]
    kept: list[str] = list(base)
    aside = np.zeros(len(rows), dtype=bool)
    scale = level
    noise = blank.noise
    held: list[Floats] = []
    betas: dict[int, Floats] = {}
    for turn in range(4):
        parts = [sums(x, r.y, w) for x, r, w in zip(xs, rows, weights, strict=True)]
        live = [p for p, gone in zip(parts, aside, strict=True) if not gone and p.weight > 0]
        live_folds = folds[[not g and p.weight > 0 for p, g in zip(parts, aside, strict=True)]]
        if turn == 0:
            beta = solve(total(live), range(len(names)), centre, stiffness)
            held = [r.y - x @ beta for x, r in zip(xs, rows, strict=True)]
        else:
            kept = choose(live, live_folds, names, spots, base, OPTIONAL, centre, stiffness)
            which = [i for n in kept for i in spots[n]]
            betas = {}
            for fold in np.unique(folds):
                rest = [p for p, f in zip(live, live_folds, strict=True) if f != fold] or live
                betas[int(fold)] = _bounded(total(rest), which, centre, stiffness, limits)
            held = [
                r.y - x[:, which] @ betas[int(f)] for x, r, f in zip(xs, rows, folds, strict=True)
            ]
        scale = max(spread_about_zero(np.concatenate(held)), floor**0.5)
        variance = [np.full(len(h), scale**2) for h in held]
        if turn >= 1:
            terms = [
                _terms(blank, kept, betas[int(f)], r, c)
                for r, c, f in zip(rows, cases, folds, strict=True)
            ]
            good = [k for k in range(len(rows)) if not aside[k]]
            noise = fit_noise(
                np.concatenate([held[k] for k in good]) ** 2,
                np.concatenate([terms[k] for k in good]),
                floor,
            )
            variance = [noise.variance(t) for t in terms]
            aside = _odd([h / np.sqrt(v) for h, v in zip(held, variance, strict=True)])
        cut = setting("robust_cut")
        weights = [
            cauchy_weights(h, np.sqrt(v), cut) / np.maximum(v, floor)
            for h, v in zip(held, variance, strict=True)
        ]
    parts = [sums(x, r.y, w) for x, r, w in zip(xs, rows, weights, strict=True)]
    live = [p for p, gone in zip(parts, aside, strict=True) if not gone]
    which = [i for n in kept for i in spots[n]]
    beta = _bounded(total(live), which, centre, stiffness, limits)
    covariance = clustered_covariance(live, which, beta, stiffness)
    points = [_cells(r, c, payload_scale) for r, c in zip(rows, cases, strict=True)]
    good = [k for k in range(len(rows)) if not aside[k]]

    def trained(ks: list[int]) -> Trained:
        if not ks:
            return blank.trained
        return fit_trained(
            np.concatenate([points[k] for k in ks]),
            np.concatenate([np.full(len(points[k]), k) for k in ks]),
        )

    sst = np.concatenate([rows[k].y for k in good])
    sse = np.concatenate([held[k] for k in good])
    explained = 1 - float(np.median(np.abs(sse)) / max(np.median(np.abs(sst)), 1e-12)) ** 2
    if np.isfinite(bias_sd):
        kept = ["bias", *kept]
        beta = np.concatenate([[bias], beta])
        betas = {f: np.concatenate([[bias], b]) for f, b in betas.items()}
        wider = np.zeros((len(beta), len(beta)))
        wider[0, 0], wider[1:, 1:] = bias_sd**2, covariance
        covariance = wider
    whole = replace(
        blank,
        names=tuple(kept),
        coef=beta,
        covariance=covariance,
        noise=noise,
        trained=trained(good),
        explained=float(np.clip(explained, 0.0, 1.0)),
        set_aside=tuple(rows[k].session for k in range(len(rows)) if aside[k]),
        sessions=tuple(rows[k].session for k in good),
        servo=_servo(cases, folds, floor, aside),
    )
    whole = replace(whole, **_rest(whole, cases, aside))
    by_fold = {
        int(f): replace(
            whole,
            coef=betas[int(f)],
            trained=trained([k for k in good if folds[k] != f]),
        )
        for f in np.unique(folds)
    }
    return whole, by_fold


def _bounded(
    whole: Sums, which: Sequence[int], centre: Floats, stiffness: Floats, limits: Floats
) -> Floats:
    """Solve, and again with what left its bounds held at them.

    Under a load of one sign bias, gain, asymmetry and load-dependent friction are
    nearly alike, and a soft prior loses against ten thousand rows.
    """
    own = limits[np.asarray(which)]
    beta = solve(whole, which, centre, stiffness)
    if (np.abs(beta) <= own).all():
        return beta
    held = np.clip(beta, -own, own)
    stiff = stiffness.copy()
    middle = centre.copy()
    for place, k in enumerate(which):
        if abs(beta[place]) > own[place]:
            stiff[k], middle[k] = 1e12 * max(whole.gram[k, k], 1.0), held[place]
    return solve(whole, which, middle, stiff)


def _places(names: Sequence[str]) -> dict[str, list[int]]:
    places, at = {}, 0
    for name, width in zip(names, widths(names), strict=True):
        places[name] = list(range(at, at + width))
        at += width
    return places


def _terms(blank: UnitModel, kept: list[str], beta: Floats, rows: _Rows, case: Case) -> Floats:
    trial = replace(blank, names=tuple(kept), coef=beta)
    return variance_terms(
        trial, predict(trial, rows.at), rows.at, case.fine, rows.noise_nm, rows.swing_nm
    )


def _odd(held: list[Floats]) -> Flags:
    """Return which sessions stand out by the size of their residuals."""
    size = np.array([float(np.median(np.abs(h))) if len(h) > 10 else np.nan for h in held])
    known = np.log(np.maximum(size, 1e-12))
    middle = np.nanmedian(known) if np.isfinite(known).any() else 0.0
    spread = max(1.4826 * np.nanmedian(np.abs(known - middle)), 0.15)
    odd = (known - middle) / spread > setting("odd_session")
    few = np.nancumsum(odd) <= max(1, len(held) // 3)
    return np.asarray(odd & few & (len(held) > 3), dtype=np.bool_)


def _scales(cases: list[Case]) -> tuple[float, float, tuple[float, float], float]:
    speeds, heats, masses = [], [], []
    for c in cases:
        moving = np.abs(c.mine.rate_deg_s[c.mine.state == SLIDING])
        if len(moving):
            speeds.append(np.quantile(moving, 0.95))
        heat = c.mine.temperature_c
        if np.isfinite(heat).any():
            heats.append((np.nanmedian(heat), np.nanmin(heat), np.nanmax(heat)))
        masses.append(float(np.nanmax(c.payload.mass_kg, initial=0.0)))
    fast = float(np.max(speeds)) if speeds else 1.0
    if heats:
        table = np.array(heats)
        span = (float(table[:, 1].min()), float(table[:, 2].max()))
        return max(fast, 1e-6), float(np.median(table[:, 0])), span, max(max(masses), 1e-9)
    nothing = (float("nan"), float("nan"))
    return max(fast, 1e-6), 20.0, nothing, max(max(masses), 1e-9)


def _bias(cases: list[Case]) -> tuple[float, float, float]:
    """Return the current of the held joint, its error, and its spread from row to row."""
    middles, spreads = [], []
    for c in cases:
        held = c.mine.current_a[(c.mine.state == HELD) & np.isfinite(c.mine.current_a)]
        if len(held) >= 10:
            middles.append(float(np.median(held)))
            spreads.append(spread_about_zero(held - np.median(held)))
    if not middles:
        usual = float(np.median([c.fine.current_noise_a for c in cases]))
        return 0.0, float("inf"), usual
    middle = float(np.median(middles))
    between = spread_about_zero(np.array(middles) - middle)
    fine = float(np.median([c.fine.current_resolution_a for c in cases]))
    spread = max(float(np.median(spreads)), between, fine / 4, 1e-9)
    return middle, max(between, fine / 4) / np.sqrt(len(middles)), spread


def _sliding(case: Case, fast: float, reference: float) -> _Rows:
    at = conditions(case.blocks, case.joint, case.loads, case.payload.mass_kg, fast, reference)
    sure = case.payload.sd_kg <= 0.1 * max(float(case.payload.mass_kg.max(initial=0.0)), 1e-9)
    rows = np.flatnonzero((case.mine.state == SLIDING) & usable(case.mine, at) & sure)
    hours = len(case.blocks) * case.blocks.step_s / 3600
    if len(rows) > MOST_ROWS:
        rows = rows[:: -(-len(rows) // MOST_ROWS)]
    return _Rows(
        _pick(at, rows),
        case.mine.current_a[rows],
        case.loads.noise[case.joint][rows],
        swing(at.torque_nm)[rows],
        hours,
        case.session,
    )


def _priors(
    rows: list[_Rows], level: float, bias: float, bias_sd: float
) -> tuple[dict[str, float], Callable[[str], float]]:
    torque = np.concatenate([r.at.torque_nm for r in rows])
    accel = np.concatenate([r.at.accel for r in rows])
    nm = max(float(np.sqrt(np.mean(torque**2))), 1e-9)
    push = max(float(np.sqrt(np.mean(accel**2))), 1e-9)
    share = setting("prior_temperature") * 10
    table = {
        "bias": max(bias_sd, 1e-3 * level) if np.isfinite(bias_sd) else level,
        "torque": 10 * level / nm,
        "accel": 3 * level / push,
        "load": 0.3 * level / nm,
        "warm torque": share * level / nm,
        "asymmetry": 0.12 * level,
        "asymmetric rate": 0.3 * level,
    }

    def sd(name: str) -> float:
        if name in table:
            return float(table[name])
        if name.startswith("heat"):
            return 2 * share * level
        return 3 * level

    return {"bias": bias}, sd


def _cells(rows: _Rows, case: Case, payload_scale: float) -> Floats:
    heat = rows.at.heat_k[0.0]
    mass = np.full(len(heat), float(np.nanmedian(case.payload.mass_kg)) / payload_scale)
    return cells_of(heat, rows.at.rate, mass)


def _servo(cases: list[Case], folds: Floats, floor: float, aside: Floats) -> ServoLaw | None:
    """Return the drive's law by whichever of the brake's words enables it."""
    found = []
    for asked in (False, True):
        xs, ys, which = [], [], []
        for case, fold, gone in zip(cases, folds, aside, strict=True):
            if gone:
                continue
            x, ok = servo_columns(case.mine, case.blocks.step_s, asked=asked)
            rows = np.flatnonzero(ok & np.isfinite(case.mine.current_a))
            if len(rows) > MOST_ROWS:
                rows = rows[:: -(-len(rows) // MOST_ROWS)]
            if len(rows) > 20:
                xs.append(x[rows])
                ys.append(case.mine.current_a[rows])
                which.append(fold)
        if len(xs) > 1:
            law = fit_servo(xs, ys, np.array(which), floor, asked=asked)
            if law is not None:
                found.append(law)
    return max(found, key=lambda law: law.share) if found else None


def _rest(unit: UnitModel, cases: list[Case], aside: Floats) -> dict[str, Any]:
    """Return breakaway as most rest rows keep it, and how far beyond it currents go."""
    off, squares, terms = [], [], []
    level = abs(unit.coefficient("sign"))
    seen = []
    for case, gone in zip(cases, aside, strict=True):
        if gone:
            continue
        at = conditions(
            case.blocks,
            case.joint,
            case.loads,
            case.payload.mass_kg,
            unit.fast_deg_s,
            unit.reference_c,
        )
        rows = np.flatnonzero((case.mine.state == RESTING) & usable(case.mine, at))
        if len(rows) > 10:
            wobble = swing(at.torque_nm)[rows]
            at = _pick(at, rows)
            load = unit.coefficient("torque") * at.torque_nm
            still = np.abs(case.mine.current_a[rows] - unit.bias_a - load)
            off.append(np.quantile(still, 0.95))
            noise_nm = case.loads.noise[case.joint][rows]
            terms.append(variance_terms(unit, predict(unit, at), at, case.fine, noise_nm, wobble))
            seen.append((still, levels(unit, at)))
    breakaway = max(float(np.median(off)) if off else 0.0, level)
    for still, own in seen:
        limit = breakaway * (np.maximum(own / level, 0.3) if level > 0 else 1.0)
        squares.append(np.maximum(still - limit, 0) ** 2)
    floor = max((0.1 * breakaway) ** 2, unit.held_sd_a**2)
    noise = unit.rest_noise
    if squares:
        noise = fit_noise(np.concatenate(squares), np.concatenate(terms), floor)
    return {"breakaway_a": breakaway, "rest_noise": noise}
