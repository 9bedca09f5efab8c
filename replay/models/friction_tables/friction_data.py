"""Steady rows made ready for a friction fit, and the columns of its design by name."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from replay.models.friction_tables.separable import Array

EXPONENT = 2.0
MOST_ROWS = 3000
"""Steady rows are averaged in short runs down to about this many."""
LEAST_ROWS = 20
"""Fewer averaged rows in a direction than this determine nothing."""
LEAST_GROUPS = 3
MOST_BLOCKS = 40
"""Segments are put together in time into at most so many blocks of dependent rows."""
LEAST_SPAN_C = 3.0
DIRECTIONS = {1: "forward", -1: "backward"}


class Parts:
    """Builds design columns by name from rates, temperatures and loads."""

    def __init__(self, rate: Array, temperature: Array, load: Array) -> None:
        self.rate, self.temperature, self.load = rate, temperature, load

    def design(
        self, names: Sequence[str], ws: float | None, middle_c: float, growth: float = 0.0
    ) -> Array:
        """Return the columns of these names, (n, p).

        ``ws`` is the Stribeck rate at ``middle_c``, ``growth`` its relative
        change per degree (never below a tenth of itself).
        """
        at: float | Array = ws or 1.0
        if growth:
            at = at * np.maximum(1.0 + growth * (self.temperature - middle_c), 0.1)
        return np.stack([self.column(n, at, middle_c) for n in names], axis=1)

    def column(self, name: str, ws: float | Array, middle_c: float) -> Array:
        """Return one column: ``<part> <way> per <what changes it>``."""
        what, _, rest = name.partition(" ")
        way, _, per = rest.partition(" per ")
        size = np.abs(self.rate)
        sign = np.sign(self.rate)
        if way in ("forward", "backward"):
            sign = np.where(sign == (1 if way == "forward" else -1), sign, 0.0)
        if what == "coulomb":
            out = sign
        elif what == "viscous":
            out = sign * size
        elif what == "rise":
            out = sign * np.exp(-((size / ws) ** EXPONENT))
        else:  # "load": the torque itself, whatever the direction
            out = self.load
        if per == "degC":
            out = out * (self.temperature - middle_c)
        elif per == "load":
            out = out * np.abs(self.load)
        return np.asarray(out, dtype=float)


@dataclass(frozen=True, slots=True)
class SteadyData:
    """Averaged rows, what they span, and which directions they tell of."""

    parts: Parts
    effort: Array
    blocks: NDArray[np.int64]
    group_count: int
    directions: tuple[int, ...]
    has_temperature: bool
    has_load: bool
    load_is_off: bool
    middle_c: float
    temperature_span: tuple[float, float]
    warnings: tuple[str, ...]

    @classmethod
    def of(cls, rows: pl.DataFrame) -> SteadyData:
        """Average the rows in short runs and see what they span."""
        has = {
            name: name in rows.columns and rows.height > 0 and rows[name].null_count() == 0
            for name in ("temperature_c", "load", "segment")
        }
        used = ["rate_deg_s", "effort", *(n for n in ("temperature_c", "load") if has[n])]
        segment = pl.col("segment") if has["segment"] else pl.lit(0)
        run = max(1, rows.height // MOST_ROWS) if has["segment"] else 1
        frame = rows.select(
            *(pl.col(c).cast(pl.Float64) for c in used), segment.alias("segment")
        ).filter(
            pl.all_horizontal(pl.col(c).is_finite() for c in used) & (pl.col("rate_deg_s") != 0)
        )
        if run > 1:
            frame = (
                frame.with_columns(
                    (pl.int_range(pl.len()).over("segment") // run).alias("run"),
                    (pl.col("rate_deg_s") > 0).alias("way"),
                )
                .group_by("segment", "run", "way", maintain_order=True)
                .agg(pl.col(used).mean())
            )
        rate = frame["rate_deg_s"].to_numpy()
        temperature = frame["temperature_c"].to_numpy() if has["temperature_c"] else 0 * rate
        load = frame["load"].to_numpy() if has["load"] else 0 * rate
        groups = frame["segment"].to_numpy().astype(np.int64)
        if not has["segment"]:
            groups = np.arange(len(rate), dtype=np.int64)
        directions, warnings = [], []
        for sign, word in DIRECTIONS.items():
            here = np.sign(rate) == sign
            enough_groups = len(np.unique(groups[here])) >= LEAST_GROUPS
            if here.sum() >= LEAST_ROWS and enough_groups:
                directions.append(sign)
            elif here.any():
                warnings.append(f"too little steady motion {word} to fit it")
        keep = np.isin(np.sign(rate), directions)
        rate, temperature, load = rate[keep], temperature[keep], load[keep]
        _, number = np.unique(groups[keep], return_inverse=True)
        blocks = number.astype(np.int64)
        if has["segment"] and len(blocks) and blocks.max() >= MOST_BLOCKS:
            blocks = blocks * MOST_BLOCKS // (int(blocks.max()) + 1)
        span = (
            (float(np.quantile(temperature, 0.02)), float(np.quantile(temperature, 0.98)))
            if len(rate)
            else (0.0, 0.0)
        )
        return cls(
            parts=Parts(rate, temperature, load),
            effort=frame["effort"].to_numpy()[keep],
            blocks=blocks,
            group_count=int(blocks.max()) + 1 if len(blocks) else 0,
            directions=tuple(directions),
            has_temperature=has["temperature_c"],
            load_is_off="load_a" in rows.columns,
            has_load=has["load"] and bool(np.any(load != 0)),
            middle_c=float(np.median(temperature)) if len(rate) else 0.0,
            temperature_span=span,
            warnings=tuple(warnings),
        )

    @property
    def vary_temperature(self) -> bool:
        """Whether temperatures differ enough to tell of their effect."""
        low, high = self.temperature_span
        return self.has_temperature and high - low >= LEAST_SPAN_C

    @property
    def vary_load(self) -> bool:
        """Whether loads differ at all."""
        return self.has_load and float(np.std(self.parts.load)) > 0

    def level_columns(self) -> list[str]:
        """Return one level a direction."""
        return [f"coulomb {DIRECTIONS[s]}" for s in self.directions]

    def base_columns(self) -> list[str]:
        """Return the columns fitted first; viscous only where a direction's rates vary."""
        out = self.level_columns()
        for s in self.directions:
            low, high = self.seen()[s]
            if high > 1.2 * low:
                out.append(f"viscous {DIRECTIONS[s]}")
        return out

    def varying(self, name: str, *, with_rise: bool) -> list[str]:
        """Return the columns by which temperature or load may change the curve."""
        if name == "load":
            return (
                ["coulomb both per load"] if self.load_is_off else ["load", "coulomb both per load"]
            )
        out = ["coulomb both per degC"]
        if any(c.startswith("viscous") for c in self.base_columns()):
            out.append("viscous both per degC")
        return [*out, "rise both per degC"] if with_rise else out

    def rate_span(self) -> tuple[float, float]:
        """Return the 1 % and 99 % points of the size of the rate."""
        size = np.abs(self.parts.rate)
        return float(np.quantile(size, 0.01)), float(np.quantile(size, 0.99))

    def seen(self) -> dict[int, tuple[float, float]]:
        """Return the same two points per direction."""
        out = {}
        for s in self.directions:
            size = np.abs(self.parts.rate[np.sign(self.parts.rate) == s])
            out[s] = (float(np.quantile(size, 0.01)), float(np.quantile(size, 0.99)))
        return out
