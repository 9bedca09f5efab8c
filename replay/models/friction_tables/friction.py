"""Friction of a joint from its steady motion: what turns it, per direction.

In each direction, with the size ``w`` of the rate,

    effort = Fc + (Fs - Fc) exp(-(w / ws)^2) + Fv w

(Coulomb, static, Stribeck rate, viscous; the steady form of the LuGre model:
Canudas de Wit, Olsson, Astrom & Lischinsky, IEEE Trans. Automatic Control 40,
1995). Temperature and load may change each of the parts on its own, for
curves of two temperatures cross (Bittencourt & Gunnarsson, J. Dyn. Sys. Meas.
Control 134, 2012) and one percentage per degree cannot say that. A part is
fitted only where the data can tell it, and the answer says which those are.

Longer than 245 lines because one search settles which parts of the law the data can tell, each
fit against the one before.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from replay.arm.description import Joint
from replay.arm.drive import output_per_ampere_nm
from replay.errors import UsageError
from replay.models.friction_tables.friction_curve import FrictionFit, Term, static_curve
from replay.models.friction_tables.friction_data import DIRECTIONS, SteadyData
from replay.models.friction_tables.separable import (
    Array,
    LinearFit,
    SeparableFit,
    covariance,
    linear_fit,
    separable_fit,
)

__all__ = ["FrictionFit", "Term", "fit_friction", "static_curve", "steady_rows"]

SIGNIFICANCE = 0.01
LEAST_EFFECT = 0.1
"""A dependence is kept when it moves the effort by this share of its usual size."""
GROWTHS = np.linspace(-0.02, 0.1, 7)
"""Relative changes of the Stribeck rate per degree that are looked through."""
MOST_INFLATION = 100.0
"""Variance inflation above which a term cannot be told from the others."""
LEAST_BLOCKS = 12
"""Blocks of dependent rows below which no dependence is looked for."""
LITTLE_R2 = 0.3
LITTLE_SPREAD = 0.2
"""Speed explains little when it explains less of the variance than the first, and what it
leaves is more than the second of the usual effort."""


def steady_rows(table: pl.DataFrame, joint: Joint | None = None) -> pl.DataFrame:
    """Return a joint table's rows that tell of friction: moving steadily, all known.

    Columns ``rate_deg_s effort temperature_c load segment``; ``effort`` is the
    motor current in A, ``load`` the rigid-body torque in Nm or null. With a
    ``joint`` whose gear ratio and torque constant are known the effort is
    without the current that turns the load, and a column ``load_a`` holds
    that; what the load adds to friction is left in.
    """
    steady = (pl.col("motion") == "moving") & (pl.col("stage") == "steady")
    clear = pl.col("rate_se_deg_s").is_null() | (
        pl.col("rate_deg_s").abs() > 3 * pl.col("rate_se_deg_s")
    )
    known = joint is not None and joint.gear_ratio and joint.torque_constant_nm_a
    per_nm = 1.0 / output_per_ampere_nm(joint) if known and joint is not None else 0.0
    load_a = (pl.col("load_nm") * per_nm).alias("load_a")
    return (
        table.lazy()
        .filter(
            steady & clear & pl.col("rate_deg_s").is_not_null() & pl.col("current_a").is_not_null()
        )
        .select(
            "rate_deg_s",
            (pl.col("current_a") - load_a.fill_null(0.0)).alias("effort"),
            "temperature_c",
            pl.col("load_nm").alias("load"),
            "segment",
            *([load_a] if known else []),
        )
        .collect()
    )


def fit_friction(rows: pl.DataFrame, *, robust: bool = True, unit: str = "A") -> FrictionFit | None:
    """Fit a friction curve to steady rows (`steady_rows`, or columns like its).

    Parameters
    ----------
    rows : DataFrame
        ``rate_deg_s`` and ``effort``; where known ``temperature_c`` and
        ``load`` (columns with nulls are not used) and ``segment``, rows of
        which count as dependent.
    robust : bool
        Huber weights on the residuals.
    unit : str
        Unit of the effort, for the terms.

    Returns
    -------
    FrictionFit or None
        None where neither direction has enough steady motion.

    Raises
    ------
    UsageError
        A needed column is missing.
    """
    for needed in ("rate_deg_s", "effort"):
        if needed not in rows.columns:
            raise UsageError("friction needs this column", column=needed)
    data = SteadyData.of(rows)
    warnings = list(data.warnings)
    if not data.directions:
        return None
    columns = data.base_columns()
    n = len(data.effort)
    total = float(np.sum((data.effort - np.mean(data.effort)) ** 2))
    alone = linear_fit(data.parts.design(data.level_columns(), None, data.middle_c), data.effort)
    r2_direction = _r2(alone, total)

    def settle(names: Sequence[str], ws: float | None) -> tuple[Array, LinearFit, Array]:
        design = data.parts.design(names, ws, data.middle_c)
        fit = linear_fit(design, data.effort, robust=robust)
        return design, fit, covariance(design, fit, data.blocks)

    def search(names: Sequence[str], *grids: Array) -> SeparableFit:
        return separable_fit(
            lambda theta: data.parts.design(
                names, float(theta[0]), data.middle_c, float(theta[1]) if len(theta) > 1 else 0.0
            ),
            data.effort,
            grids,
            robust=robust,
            groups=data.blocks,
            tolerance=1e-3,
        )

    found: SeparableFit | None = None
    rising = [s for s, (slow, fast) in data.seen().items() if fast > 3 * slow]
    while rising:
        slow, fast = data.rate_span()
        with_rise = [*columns, *(f"rise {DIRECTIONS[s]}" for s in rising)]
        flat = settle(columns, None)[1]
        found = search(with_rise, np.geomspace(max(slow / 3, 1e-6), fast / 3, 16))
        chance = _chance(flat.loss, found.linear.loss, 1 + len(rising), data)
        if chance > SIGNIFICANCE or not _well_posed(found.covariance):
            found = None
            break
        if any(found.at_edge):
            warnings.append("a rise at low rates is there, but the Stribeck rate is not determined")
            found = None
            break
        clear = _clear_rises(with_rise, rising, found, data)
        if len(clear) == len(rising):
            columns = with_rise
            break
        rising, found = clear, None
    ws = None if found is None else float(found.nonlinear[0])
    varies, growth = False, 0.0
    usual = float(np.median(np.abs(data.effort)))
    for name, wanted in (("load", data.vary_load), ("temperature", data.vary_temperature)):
        if not wanted:
            continue
        _, now, _ = settle(columns, ws)
        if name == "temperature" and _explains_little(_r2(now, total), now.scale, usual):
            continue  # what changes a curve that is not there would be nonsense
        more = [*columns, *data.varying(name, with_rise=found is not None)]
        if _matters(*settle(more, ws), range(len(columns), len(more)), data):
            columns, varies = more, True
    if found is not None and ws is not None:
        around = np.geomspace(ws / 2.5, ws * 2.5, 9)
        if varies:
            found = search(columns, around)
        if "rise both per degC" in columns:
            growing = search(columns, around, GROWTHS)
            chance = _chance(found.linear.loss, growing.linear.loss, 1, data)
            if chance < SIGNIFICANCE and not any(growing.at_edge):
                found, growth = growing, float(growing.nonlinear[1])
        ws = float(found.nonlinear[0])
        ws_se = float(found.standard_errors[len(columns)])
        plain, cov = found.linear, found.covariance[: len(columns), : len(columns)]
    else:
        ws_se = None
        _, plain, cov = settle(columns, None)
    r2 = _r2(plain, total)
    terms = _terms(
        columns, plain, cov, data, data.parts.design(columns, ws, data.middle_c, growth), unit
    )
    if ws is None and not any("Stribeck" in w for w in warnings):
        warnings.append("static level and Stribeck rate not determined: too little slow motion")
    left = plain.scale if robust else float(np.std(plain.residuals))
    if _explains_little(r2, left, usual):
        warnings.append(f"speed explains little here (R2 = {r2:.2f})")
    warnings += [
        f"{t.name} is negative ({t.value:.3g} {t.unit})"
        for t in terms
        if t.name.startswith("viscous") and "per" not in t.name and t.value < 0
    ]
    return FrictionFit(
        terms=tuple(terms),
        stribeck_rate_deg_s=ws,
        stribeck_rate_se_deg_s=ws_se,
        stribeck_growth_per_c=growth,
        temperature_c=data.middle_c if data.has_temperature else None,
        r2=r2,
        r2_direction=r2_direction,
        spread=left,
        n=n,
        groups=data.group_count,
        unit=unit,
        rates_seen_deg_s=data.seen(),
        temperatures_seen_c=data.temperature_span if data.has_temperature else None,
        warnings=tuple(warnings),
        columns=tuple(columns),
        coefficients=tuple(float(c) for c in plain.coefficients),
    )


def _matters(design: Array, fit: LinearFit, cov: Array, which: range, data: SteadyData) -> bool:
    """Tell whether added columns earn their place: jointly significant, and felt.

    Wald's test with as many degrees of freedom as there are groups of
    dependent rows, and an effect over the span seen of at least a tenth of
    the usual effort: slow drifts are easily significant and mean nothing.
    """
    from scipy.stats import f

    index = np.array(list(which))
    value, part = fit.coefficients[index], cov[np.ix_(index, index)]
    freedom = data.group_count - len(fit.coefficients)
    if data.group_count < LEAST_BLOCKS or freedom < 5:
        return False
    wald = float(value @ np.linalg.pinv(part, hermitian=True) @ value) / len(index)
    if f.sf(wald, len(index), freedom) > SIGNIFICANCE:
        return False
    low, high = np.quantile(np.sign(data.parts.rate) * (design[:, index] @ value), [0.05, 0.95])
    return float(high - low) > LEAST_EFFECT * float(np.median(np.abs(data.effort)))


def _explains_little(r2: float, spread: float, usual: float) -> bool:
    return r2 < LITTLE_R2 and spread > LITTLE_SPREAD * usual


def _clear_rises(
    columns: Sequence[str], rising: Sequence[int], found: SeparableFit, data: SteadyData
) -> list[int]:
    """Return the directions whose rise is one: upward, clear of its error and of the other terms.

    Static friction below Coulomb friction is no friction; a large rise that a
    large negative level makes good is only a bent line.
    """
    design = data.parts.design(columns, float(found.nonlinear[0]), data.middle_c)
    doubt, errors = _inflation(design), found.standard_errors
    out = []
    for sign in rising:
        mine = [k for k, name in enumerate(columns) if name.endswith(DIRECTIONS[sign])]
        k = columns.index(f"rise {DIRECTIONS[sign]}")
        value = found.linear.coefficients[k]
        if value > 2 * errors[k] and max(doubt[m] for m in mine) < MOST_INFLATION:
            out.append(sign)
    return out


def _chance(loss_without: float, loss_with: float, more: int, data: SteadyData) -> float:
    """Return the probability of so large a gain by chance, rows of a group counted as few."""
    from scipy.stats import f

    freedom = min(len(data.effort), 4 * data.group_count) - more - 6
    if freedom < 5 or loss_with <= 0:
        return 1.0 if freedom < 5 else 0.0
    gain = max(loss_without / loss_with - 1.0, 0.0) * freedom / more
    return float(f.sf(gain, more, freedom))


def _well_posed(cov: Array) -> bool:
    return bool(np.all(np.isfinite(cov)) and np.all(np.diag(cov) > 0))


def _r2(fit: LinearFit, total: float) -> float:
    if total <= 0:
        return 0.0
    return max(0.0, 1.0 - float(fit.residuals @ fit.residuals) / total)


def _terms(
    columns: Sequence[str],
    fit: LinearFit,
    cov: Array,
    data: SteadyData,
    design: Array,
    unit: str,
) -> list[Term]:
    errors = np.sqrt(np.maximum(np.diag(cov), 0.0))
    doubt = _inflation(design)
    usual = float(np.median(np.abs(data.effort))) or 1.0
    out = []
    for i, name in enumerate(columns):
        used = np.abs(design[:, i][design[:, i] != 0])
        size = float(np.quantile(used, 0.95)) if len(used) else 0.0
        clear = 2 * errors[i] < abs(fit.coefficients[i]) or 2 * errors[i] * size < 0.1 * usual
        why = ""
        if doubt[i] > MOST_INFLATION:
            why = "not to be told from the other terms with this motion"
        elif not clear:
            why = "its error is as large as itself"
        out.append(
            Term(
                name=name,
                value=float(fit.coefficients[i]),
                se=float(errors[i]),
                unit=_unit(name, unit),
                determined=not why,
                why=why,
            )
        )
    return out


def _inflation(design: Array) -> Array:
    """Return each column's variance inflation (diagonal of the inverse correlation)."""
    scale = np.sqrt(np.einsum("np,np->p", design, design))
    unit = design / np.where(scale > 0, scale, 1.0)
    inverse = np.linalg.pinv(unit.T @ unit, rcond=1e-12, hermitian=True)
    out: Array = np.diag(inverse).copy()
    return out


def _unit(name: str, unit: str) -> str:
    out = f"{unit} s/deg" if name.startswith("viscous") else unit
    if name.endswith("per degC"):
        out += "/degC"
    elif name.endswith("per load") or name == "load":
        out += "/Nm"
    return out
