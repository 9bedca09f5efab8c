"""How two sessions' paired motions differ: medians with intervals that rest on no law of noise."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import polars as pl
from numpy.typing import NDArray

DIFFERENCES: tuple[tuple[str, str, str], ...] = (
    ("current_abs_a", "motor current, size", "A"),
    ("current_peak_a", "largest current", "A"),
    ("speed_deg_s", "speed", "deg/s"),
    ("duration_s", "duration", "s"),
    ("travel_deg", "travel", "deg"),
    ("load_nm", "load", "N m"),
    ("temperature_c", "temperature", "degC"),
)


def difference_table(pairs: pl.DataFrame) -> pl.DataFrame:
    """Say by how much the second differs from the first, joint by joint.

    Returns
    -------
    polars.DataFrame
        ``joint``, ``quantity``, ``unit``, ``pairs``, ``first`` and ``second``
        (of the middle pair, the one with the median difference), ``difference``
        (second less first: the median over the pairs), ``low``, ``high`` (at
        least 90 % interval; null below 5 pairs), ``differs`` (the interval
        leaves zero out; null without one).
    """
    rows = []
    for joint in pairs["joint"].unique(maintain_order=True) if pairs.height else ():
        mine = pairs.filter(pl.col("joint") == joint)
        for name, word, unit in DIFFERENCES:
            both = mine.select(
                pl.col(f"{name}_first").alias("a"), pl.col(f"{name}_second").alias("b")
            ).drop_nulls()
            if not both.height:
                continue
            delta = (both["b"] - both["a"]).round(9).to_numpy()  # 1e-15 is no difference
            low, high = median_interval(delta)
            ranked = np.argsort(delta, kind="stable")
            middle = ranked[[(len(delta) - 1) // 2, len(delta) // 2]]
            a, b = (float(both[side].to_numpy()[middle].mean()) for side in "ab")
            rows.append(
                {
                    "joint": joint,
                    "quantity": word,
                    "unit": unit,
                    "pairs": both.height,
                    "first": a,
                    "second": b,
                    "difference": b - a,
                    "low": low,
                    "high": high,
                    "differs": None if low is None or high is None else low > 0 or high < 0,
                }
            )
    return pl.DataFrame(
        rows,
        schema={
            "joint": pl.String,
            "quantity": pl.String,
            "unit": pl.String,
            "pairs": pl.Int64,
            "first": pl.Float64,
            "second": pl.Float64,
            "difference": pl.Float64,
            "low": pl.Float64,
            "high": pl.Float64,
            "differs": pl.Boolean,
        },
    )


def median_interval(
    values: NDArray[np.float64], level: float = 0.9
) -> tuple[float | None, float | None]:
    """Return a distribution-free interval for the median.

    The order statistics ``d`` from either end, with the largest ``d`` whose
    coverage ``1 - 2 P(B < d)``, ``B ~ Binomial(n, 1/2)``, is still ``level``;
    ``(None, None)`` when even the extremes do not reach it.

    >>> import numpy as np
    >>> median_interval(np.arange(1.0, 11.0), 0.95)
    (2.0, 9.0)
    """
    ranked = np.sort(np.asarray(values, dtype=np.float64))
    depth = _depth(len(ranked), level)
    if depth == 0:
        return None, None
    return float(ranked[depth - 1]), float(ranked[-depth])


@lru_cache(maxsize=4096)
def _depth(n: int, level: float) -> int:
    from scipy.stats import binom

    # ppf is the least k with P(B <= k) >= (1 - level) / 2, so P(B < k) is below it
    return int(binom.ppf((1 - level) / 2, n, 0.5))
