"""The brackets in which a history's delays lie, event by event."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Brackets:
    """Delays of single events; all arrays have one entry an event."""

    low: Floats
    high: Floats
    session: npt.NDArray[np.int64]
    """Index of the event's session in the history."""


def brackets_of(part: pl.DataFrame) -> Brackets | None:
    """Return the events' brackets, None where not every session has them.

    Parameters
    ----------
    part : DataFrame
        Rows of the ``indicators`` table, one indicator of one unit, oldest first.
    """
    if "bracket_low" not in part.columns or part["bracket_low"].null_count():
        return None
    events = part.select("bracket_low", "bracket_high").with_row_index("session")
    events = events.explode("bracket_low", "bracket_high").filter(
        pl.col("bracket_high") > pl.col("bracket_low")
    )
    if events["session"].n_unique() < part.height:
        return None
    return Brackets(
        events["bracket_low"].to_numpy(),
        events["bracket_high"].to_numpy(),
        events["session"].cast(pl.Int64).to_numpy(),
    )
