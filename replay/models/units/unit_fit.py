"""Fit one unit: which columns, robust weights, noise, doubt; the whole, and each fold left out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from replay.models.residuals import (
    Flags,
    Floats,
)
from replay.models.units.carried import carried_share
from replay.models.units.current import (
    BASE,
    DRAGS,
    LAGS_S,
    OPTIONAL,
    choose,
    design,
    lag_of,
    widths,
)
from replay.models.units.joint_unit import TERMS, UnitModel, predict, variance_terms
from replay.models.units.least_squares import (
    cauchy_weights,
    clustered_covariance,
    solve,
    solve_bounded,
    sums,
    total,
)
from replay.models.units.unit_rest import drive_of, rest_of
from replay.models.units.unit_rows import (
    Case,
    UnitRows,
    bias_of,
    cells,
    lags_told,
    priors,
    scales,
    sliding_rows,
)
from replay.models.units.variance import Noise, Trained, fit_noise, fit_trained
from replay.settings import setting
from replay.statistics.spread import MAD_TO_SD_TABLE, spread_about_zero

BOUNDS = {"asymmetry": 0.12, "asymmetric rate": 0.3}
"""Shares of the friction's level that differ between directions at most."""


def fit_unit(
    serial: str, cases: list[Case], folds: Floats, leave_out: Sequence[str] = ()
) -> tuple[UnitModel, dict[int, UnitModel]]:
    """Fit one unit: the whole model, and one without each fold; some columns are left out."""
    fast, reference, heat_range, payload_scale = scales(cases)
    bias, bias_sd, held_sd = bias_of(cases)
    rows = [sliding_rows(c, fast, reference) for c in cases]
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
    centre_of, sd_of = priors(rows, level, bias, bias_sd)
    names = [*BASE, *(n for g in OPTIONAL for n in g if not n.startswith("ripple"))]
    if not any(np.any(r.at.torque_nm) for r in rows):
        names = [n for n in names if n not in ("torque", "load", "warm torque")]
    unknown = any(r.at.drag_nm is None for r in rows)
    names = [n for n in names if n not in leave_out and not (unknown and n in DRAGS)]
    told = lags_told(rows)
    names = [n for n in names if lag_of(n) in (None, *told)]
    if np.isfinite(bias_sd):
        names.remove("bias")
        rows = [replace(r, y=r.y - bias) for r in rows]
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
            # a fluid's drag has to be chosen: what nothing asks for may not weigh the rows either
            first = [i for n in names if n not in DRAGS for i in spots[n]]
            beta = solve(total(live), first, centre, stiffness)
            held = [r.y - x[:, first] @ beta for x, r in zip(xs, rows, strict=True)]
        else:
            kept = choose(live, live_folds, names, spots, base, OPTIONAL, centre, stiffness)
            which = [i for n in kept for i in spots[n]]
            betas = {}
            for fold in np.unique(folds):
                rest = [p for p, f in zip(live, live_folds, strict=True) if f != fold] or live
                betas[int(fold)] = solve_bounded(total(rest), which, centre, stiffness, limits)
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
    beta = solve_bounded(total(live), which, centre, stiffness, limits)
    covariance = clustered_covariance(live, which, beta, centre, stiffness, limits)
    points = [cells(r, c, payload_scale) for r, c in zip(rows, cases, strict=True)]
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
    torque_a = float(beta[kept.index("torque")]) if "torque" in kept else 0.0
    whole = replace(
        blank,
        names=tuple(kept),
        coef=beta,
        covariance=covariance,
        noise=noise,
        trained=trained(good),
        explained=float(np.clip(explained, 0.0, 1.0)),
        hours=sum(rows[k].hours for k in good),
        set_aside=tuple(rows[k].session for k in range(len(rows)) if aside[k]),
        sessions=tuple(rows[k].session for k in good),
        servo=drive_of(cases, folds, floor, aside),
        figures={
            f"heat{lag:g}": float(np.median(np.concatenate([r.at.heat_k[lag] for r in rows])))
            for lag in LAGS_S
        }
        | {"carried_share": carried_share(rows, held, weights, torque_a, good)},
    )
    whole = replace(whole, **rest_of(whole, cases, aside))
    by_fold = {
        int(f): replace(
            whole,
            coef=betas[int(f)],
            trained=trained([k for k in good if folds[k] != f]),
        )
        for f in np.unique(folds)
    }
    return whole, by_fold


def _places(names: Sequence[str]) -> dict[str, list[int]]:
    places, at = {}, 0
    for name, width in zip(names, widths(names), strict=True):
        places[name] = list(range(at, at + width))
        at += width
    return places


def _terms(blank: UnitModel, kept: list[str], beta: Floats, rows: UnitRows, case: Case) -> Floats:
    trial = replace(blank, names=tuple(kept), coef=beta)
    return variance_terms(
        trial, predict(trial, rows.at), rows.at, case.fine, rows.noise_nm, rows.swing_nm
    )


def _odd(held: list[Floats]) -> Flags:
    """Return which sessions stand out by the size of their residuals."""
    size = np.array([float(np.median(np.abs(h))) if len(h) > 10 else np.nan for h in held])
    known = np.log(np.maximum(size, 1e-12))
    middle = np.nanmedian(known) if np.isfinite(known).any() else 0.0
    # of a few sessions one or two odd ones would widen the spread that is to tell them
    spread = np.clip(MAD_TO_SD_TABLE * np.nanmedian(np.abs(known - middle)), 0.15, 0.25)
    odd = (known - middle) / spread > setting("odd_session")
    few = np.nancumsum(odd) <= max(1, len(held) // 3)
    return np.asarray(odd & few & (len(held) > 3), dtype=np.bool_)
