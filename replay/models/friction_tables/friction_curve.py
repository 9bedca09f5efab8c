"""A fitted friction curve: its terms, what it predicts, where it stands on data."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from replay.models.friction_tables.friction_data import EXPONENT, Parts
from replay.models.friction_tables.separable import Array


@dataclass(frozen=True, slots=True)
class Term:
    """One fitted number; ``determined`` is False where this data cannot tell it, and why."""

    name: str
    value: float
    se: float
    unit: str
    determined: bool = True
    why: str = ""


@dataclass(frozen=True, slots=True)
class FrictionFit:
    """A friction curve with what is known about it.

    Terms are ``coulomb``, ``viscous`` and ``rise`` (static over Coulomb), each
    ``forward`` or ``backward``, and what changes them: ``coulomb both per degC``.
    ``r2`` is the share of the effort's variance that the whole model explains,
    ``r2_direction`` what the direction's sign alone explains. ``spread`` is
    the robust standard deviation of what is left.
    """

    terms: tuple[Term, ...]
    stribeck_rate_deg_s: float | None
    stribeck_rate_se_deg_s: float | None
    stribeck_growth_per_c: float
    temperature_c: float | None
    r2: float
    r2_direction: float
    spread: float
    n: int
    groups: int
    unit: str
    rates_seen_deg_s: dict[int, tuple[float, float]]
    temperatures_seen_c: tuple[float, float] | None
    warnings: tuple[str, ...]
    columns: tuple[str, ...]
    coefficients: tuple[float, ...]

    def term(self, name: str) -> Term | None:
        """Return a term by name (``coulomb forward``, ``viscous backward``, ...), or None."""
        return next((t for t in self.terms if t.name == name), None)

    def predict(
        self,
        rate_deg_s: ArrayLike,
        temperature_c: ArrayLike | None = None,
        load: ArrayLike | None = None,
    ) -> Array:
        """Return the expected effort; NaN in a direction that was never seen, and at standstill."""
        rate = np.atleast_1d(np.asarray(rate_deg_s, dtype=float))
        parts = Parts(
            rate, _filled(temperature_c, rate, self.temperature_c or 0.0), _filled(load, rate, 0.0)
        )
        design = parts.design(
            self.columns,
            self.stribeck_rate_deg_s,
            self.temperature_c or 0.0,
            self.stribeck_growth_per_c,
        )
        out: Array = design @ np.array(self.coefficients)
        for sign in (1, -1):
            if sign not in self.rates_seen_deg_s:
                out = np.where(np.sign(rate) == sign, np.nan, out)
        return np.where(rate == 0, np.nan, out)

    def seen(
        self, rate_deg_s: ArrayLike, temperature_c: ArrayLike | None = None
    ) -> NDArray[np.bool_]:
        """Tell where the curve stands on data, a tenth of the span beyond it included."""
        rate = np.atleast_1d(np.asarray(rate_deg_s, dtype=float))
        out = np.zeros(rate.shape, dtype=bool)
        for sign, (low, high) in self.rates_seen_deg_s.items():
            slack = 0.1 * (high - low)
            size = np.abs(rate)
            out |= (np.sign(rate) == sign) & (size >= low - slack) & (size <= high + slack)
        if temperature_c is not None and self.temperatures_seen_c is not None:
            low, high = self.temperatures_seen_c
            slack = max(0.1 * (high - low), 1.0)
            there = np.asarray(temperature_c, dtype=float)
            out &= (there >= low - slack) & (there <= high + slack)
        return out


def static_curve(
    rate: ArrayLike,
    *,
    coulomb: float,
    static: float,
    stribeck_rate: float,
    viscous: float,
    exponent: float = EXPONENT,
) -> Array:
    """Return the static friction curve at signed rates; 0 at standstill (any units)."""
    w = np.asarray(rate, dtype=float)
    level = coulomb + (static - coulomb) * np.exp(-(np.abs(w / stribeck_rate) ** exponent))
    out: Array = np.sign(w) * level + viscous * w
    return out


def _filled(values: ArrayLike | None, like: Array, default: float) -> Array:
    if values is None:
        return np.full(like.shape, default)
    out: Array = np.broadcast_to(np.asarray(values, dtype=float), like.shape)
    return out
