"""Odd rows of a plain table of currents, speeds and conditions: no archive, no arm."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import polars as pl

from replay.errors import UsageError
from replay.models.outliers import CurrentOutlier
from replay.models.residuals import Floats
from replay.wording import counted

EACH = ("current", "expected", "residual")


@dataclass(frozen=True, slots=True)
class TableOutliers:
    """The judged rows of a table, and what could not be judged.

    Attributes
    ----------
    rows : DataFrame
        One row for each judged row of the table, in its order: ``row`` (from 1), ``score``
        (log of the share of learned rows at least this far off), ``outlier``, ``channel``
        (the current that stands off most), and of it ``current``, ``expected`` and
        ``residual``, in the unit of its column.
    not_judged : mapping of str to int
        Column to how many rows have no number in it.
    limit : float
        Score below which a row is called an outlier.
    learned_rows : int
        How many rows taught what is usual.
    not_learned : mapping of str to int
        Column of ``usual`` to how many of its rows have no number in it.
    """

    rows: pl.DataFrame
    limit: float
    learned_rows: int
    not_judged: dict[str, int] = field(default_factory=dict)
    not_learned: dict[str, int] = field(default_factory=dict)


def table_outliers(
    table: pl.DataFrame,
    currents: Sequence[str],
    speeds: Sequence[str] = (),
    conditions: Sequence[str] = (),
    *,
    usual: pl.DataFrame | None = None,
    share: float = 0.01,
) -> TableOutliers:
    """Judge every row of a table by what its currents usually are at their speeds.

    Parameters
    ----------
    table : DataFrame
        Numeric columns; rows without a number in one of those named are not judged.
    currents : sequence of str
        Columns of current, any unit; several are judged together.
    speeds : sequence of str
        Their signed speeds in the same order, any unit; none: every row is at rest.
    conditions : sequence of str
        Further columns that explain a current linearly, as temperature or load do.
    usual : DataFrame, optional
        A table of usual rows to learn from, with the same columns; else ``table`` itself.
    share : float
        Share of the learned rows that counts as outliers, in (0, 0.5].

    Returns
    -------
    TableOutliers

    Raises
    ------
    UsageError
        A column that is not there, no number or named twice; speeds that do not match the
        currents; fewer than two rows to learn from.

    Examples
    --------
    >>> current = [1.0, 1.1, 0.9, -1.0, -1.1, -0.9] * 20 + [4.0]
    >>> table = pl.DataFrame({"i": current, "v": [2.0, 2.1, 1.9, -2.0, -2.1, -1.9] * 20 + [2.0]})
    >>> found = table_outliers(table, ["i"], ["v"]).rows
    >>> found.filter("outlier")["row"].to_list()
    [121]
    """
    if not currents:
        raise UsageError("no column of current was named")
    if speeds and len(speeds) != len(currents):
        raise UsageError(
            f"{len(currents)} currents, but {len(speeds)} speeds",
            todo="name the speed of each current, in the same order, or none",
        )
    names = [*currents, *speeds, *conditions]
    twice = sorted({n for n in names if names.count(n) > 1})
    if twice:
        raise UsageError(f"column {twice[0]!r} is named twice")
    values, number, missing = _numbers(table, names)
    learned, unlearned = (values, {}) if usual is None else _numbers(usual, names)[::2]
    if len(learned) < 2:
        raise UsageError(
            f"{counted(len(learned), 'row')} with a number in every column named: too few"
        )
    model = CurrentOutlier(contamination=share, channels=len(currents)).fit(learned)
    if not len(values):
        return TableOutliers(_no_rows(), model.offset_, len(learned), missing, unlearned)
    score = model.score_samples(values)
    residual, off = model.residuals(values)
    at = np.arange(len(values)), np.argmax(np.abs(off), axis=1)
    rows = pl.DataFrame(
        {
            "row": number,
            "score": score,
            "outlier": score < model.offset_,
            "channel": [currents[k] for k in at[1]],
            "current": values[at],
            "expected": values[at] - residual[at],
            "residual": residual[at],
        }
    )
    return TableOutliers(rows, model.offset_, len(learned), missing, unlearned)


def _no_rows() -> pl.DataFrame:
    kinds = {"row": pl.Int64, "score": pl.Float64, "outlier": pl.Boolean, "channel": pl.String}
    return pl.DataFrame(schema=kinds | dict.fromkeys(EACH, pl.Float64))


def _numbers(
    table: pl.DataFrame, names: Sequence[str]
) -> tuple[Floats, npt.NDArray[np.int64], dict[str, int]]:
    """Return the rows (n, columns) that are all numbers, which rows (from 1), and the gaps."""
    for name in names:
        if name not in table.columns:
            raise UsageError(f"no column {name!r}", todo=f"there are {', '.join(table.columns)}")
        if not (table[name].dtype.is_numeric() or table[name].dtype == pl.Boolean):
            raise UsageError(f"column {name!r} holds no numbers, but {table[name].dtype}")
    values = table.select(pl.col(names).cast(pl.Float64).fill_null(np.nan)).to_numpy()
    there = np.isfinite(values)
    whole = there.all(axis=1)
    gaps = zip(names, (~there).sum(axis=0).tolist(), strict=True)
    return values[whole], np.flatnonzero(whole) + 1, {n: k for n, k in gaps if k}
