"""Sessions that lie far from the others of a unit's history.

A trend is fitted so that a single session does not bend it: what it says of
the whole is silent on that one, and a slip is one session.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from replay.statistics.spread import spread as robust_spread
from replay.wording import counted, number

FAR = 8.0
"""A session this many spreads from the others' median is told of; common practice, no source."""

FEWEST = 6
"""From fewer sessions no spread is known."""


def far_sessions(points: pl.DataFrame, unit: str) -> str:
    """Return a sentence on the sessions far from the others, or nothing.

    Parameters
    ----------
    points : polars.DataFrame
        A history: ``start``, ``value``, ``se`` and, where conditions were
        levelled, ``adjusted``.
    unit : str
        Unit of the values.

    Notes
    -----
    The spread is the robust one of all sessions (`replay.statistics.spread`)
    together with the session's own standard error: what was measured coarsely
    is not far.
    """
    if not {"start", "value", "se"} <= set(points.columns) or points.height < FEWEST:
        return ""
    level = "adjusted" if "adjusted" in points.columns else "value"
    known = points.filter(pl.col(level).is_finite() & pl.col("value").is_finite())
    if known.height < FEWEST:
        return ""
    values = known[level].to_numpy()
    off = np.abs(values - np.median(values))
    own = np.nan_to_num(known["se"].cast(pl.Float64).fill_null(0.0).to_numpy())
    usual = robust_spread(values)
    spread = np.hypot(usual if np.isfinite(usual) else 0.0, own)
    far = known.filter(pl.Series(off > FAR * spread) & pl.Series(spread > 0))
    if not far.height:
        return ""
    worst = known.row(
        int(np.argmax(np.where(spread > 0, off / np.maximum(spread, 1e-300), 0.0))), named=True
    )
    said = f"{number(worst['value'], 3)} {unit} on {worst['start']:%Y-%m-%d}"
    if far.height == 1:
        return f"One session lies far from the others: {said}; a trend says nothing of it."
    return (
        f"{counted(far.height, 'session')} lie far from the others, the farthest at {said}; "
        "a trend says nothing of them."
    )
