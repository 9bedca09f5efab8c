"""The computed columns of one joint's table: rate, load with its error, expected current."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from dashboards.figures.packing import Singles
from replay.errors import BaselineError
from replay.signals.load_error import load_errors_nm
from replay.signals.postures import Postures

if TYPE_CHECKING:
    from replay.models import Baseline


def columns_of(
    table: pl.DataFrame,
    unit: str,
    base: Baseline | None,
    arm: dict[str, pl.DataFrame],
    *,
    rate: bool,
) -> dict[str, Singles]:
    """Return what is drawn of one joint beside its logged channels; ``rate``: it was not logged."""
    columns: dict[str, Singles] = {}
    if rate:
        columns["rate_deg_s"] = _singles(table["rate_deg_s"])
    if table["load_nm"].null_count() < table.height:
        columns["load_nm"] = _singles(table["load_nm"])
    if base is not None:
        try:
            expected = base.expected(table, unit, arm)
        except BaselineError:
            return columns
        for name in ("expected_a", "low_a", "high_a"):
            columns[name] = _singles(expected[name])
        # static friction holds any current of the band there: its middle is expected by nobody
        rest = (table["motion"] == "holding").fill_null(value=False).to_numpy()
        columns["expected_a"] = np.where(rest, np.float32(np.nan), columns["expected_a"])
        columns["residual_a"] = _singles(table["current_a"]) - columns["expected_a"]
    return columns


def errors_of_loads(table: pl.DataFrame, postures: Postures) -> dict[str, dict[str, Singles]]:
    """Return by joint the column of its load's standard error, on the instants of a table."""
    found = load_errors_nm(postures, table["time"].dt.epoch("ns").to_numpy())
    return {joint: {"load_se_nm": se.astype(np.float32)} for joint, se in found.items()}


def _singles(series: pl.Series) -> Singles:
    return series.cast(pl.Float32).fill_null(float("nan")).to_numpy()
