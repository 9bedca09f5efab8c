"""Where a table holds which history: the rows of each unit's each indicator, in order.

Rows come in the order in which sessions were measured, all units and indicators in turn.
Parting a table into tables copied every word of it, a tenth of the judging; here only
places are found, and each reader takes the columns that it needs.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt
import polars as pl

Rows = npt.NDArray[np.int64] | slice
"""Places of a history's rows; a slice where they lie together, which copies nothing."""


def rows_of_histories(frame: pl.DataFrame, *by: str) -> list[tuple[str, str, Rows]]:
    """Return serial, indicator and rows of each history of a table, sorted by the words.

    Parameters
    ----------
    frame : DataFrame
        Columns serial, indicator and those of ``by``.
    by : str
        The columns that order a history, the most important first.
    """
    if not frame.height:
        return []
    serials, indicators = (frame[name].unique().sort() for name in ("serial", "indicator"))
    codes = [
        frame[words.name].cast(pl.Enum(words)).to_physical().to_numpy()
        for words in (serials, indicators)
    ]
    key = codes[0].astype(np.int64) * len(indicators) + codes[1]
    if len(serials) * len(indicators) <= 2**16:
        key = key.astype(np.uint16)  # sorted by its digits: far faster
    rows = np.argsort(key, kind="stable")
    begins = np.flatnonzero(np.diff(key[rows].astype(np.int64), prepend=-1))
    first = frame[by[0]].to_physical().to_numpy()
    found: list[tuple[str, str, Rows]] = []
    for a, b in pairwise([*begins.tolist(), len(rows)]):
        own: Rows = rows[a:b]
        if rows[b - 1] - rows[a] == b - a - 1:
            own = slice(int(rows[a]), int(rows[b - 1]) + 1)
        if not (np.diff(first[own]) > 0).all():
            own = rows[a:b][frame[rows[a:b]].select(pl.arg_sort_by(by)).to_series().to_numpy()]
        serial, indicator = divmod(int(key[rows[a]]), len(indicators))
        found.append((serials[serial], indicators[indicator], own))
    return found


def last_of(rows: Rows) -> int:
    """Return the place of a history's last row."""
    return rows.stop - 1 if isinstance(rows, slice) else int(rows[-1])
