"""Invented histories of which everything is known, for benchmarks and tests."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from makers import BEGIN, YEAR_US

from replay.wear.indicators import SCHEMA


@dataclass(frozen=True)
class Known:
    """One unit's rows and all that is true of it."""

    rows: pl.DataFrame
    years: np.ndarray
    truth: np.ndarray
    """Level under one set of conditions, per session."""
    known: np.ndarray
    """What the conditions added, per session."""
    sigma: np.ndarray
    """Spread of each session about both."""
    effect: Callable[[Mapping[str, float]], float]
    """What given conditions add: temperature_c, load_nm, rate_deg_s, base_b."""

    def known_at(self, usual: Mapping[str, float], until: int) -> float:
        """Return what the usual conditions add; those not named are the sessions' medians."""
        seen = self.rows.head(until)
        middle = {
            c: float(seen[c].median() or 0.0) for c in ("temperature_c", "load_nm", "rate_deg_s")
        }
        middle["base_b"] = float((seen["base_end"] == "B").mean())
        return self.effect({**middle, **usual})

    def slope(self, until: int) -> float:
        """Return the true slope: that of the level over the sessions' times."""
        return float(np.polyfit(self.years[:until], self.truth[:until], 1)[0])

    def least_squares(self, until: int) -> tuple[float, float]:
        """Return slope and error of least squares that knows conditions and spreads."""
        t, w = self.years[:until], 1 / self.sigma[:until] ** 2
        y = (self.rows["value"].to_numpy() - self.known)[:until]
        middle = (w @ t) / w.sum()
        size = w @ (t - middle) ** 2
        return float(w @ ((t - middle) * y) / size), float(size**-0.5)


def rows_of(serial, t, value, se, warm, load, rate, base) -> pl.DataFrame:
    n = len(t)
    start = (t * YEAR_US).astype(np.int64) + int(BEGIN.timestamp() * 1e6)
    when = pl.Series(start).cast(pl.Datetime("us")).dt.replace_time_zone("UTC")
    plain = {"session": [f"S{k:05d}" for k in range(n)], "arm": ["Heron"] * n}
    plain |= {"joint": [serial[-2:]] * n, "serial": [serial] * n}
    plain |= {"indicator": ["friction at usual rate"] * n, "unit": ["A"] * n}
    plain |= {"value": value, "se": se, "n": [10] * n, "start": when, "at": when}
    plain |= {"temperature_c": warm, "load_nm": load, "rate_deg_s": rate, "base_end": base}
    plain |= {"baseline": [""] * n, "payload_kg": [0.0] * n, "method": [1] * n}
    plain |= {"reference_stage": [3] * n, "posture_told": [True] * n}
    plain |= {"bracket_low": [None] * n, "bracket_high": [None] * n}
    return pl.DataFrame(plain, schema=SCHEMA)
