"""A joint table as bare arrays: what reads whole sessions works on these."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from replay.signals.carry import Array, Codes, Nanoseconds
from replay.signals.channels import ENDS
from replay.signals.motion import segments
from replay.units import JOINT_TABLE, TIME_DTYPE


@dataclass(frozen=True, slots=True)
class JointColumns:
    """Columns of `replay.units.JOINT_TABLE`, one entry a row.

    Numbers have NaN where nothing is known; switches, ``base_end`` (codes
    into `ENDS`), ``motion`` and ``stage`` (into `segments.MOTIONS`,
    `segments.STAGES`) have -1. Arrays are shared between joints: read only.
    """

    time: Nanoseconds
    t_s: Array
    angle_deg: Array
    rate_deg_s: Array
    rate_se_deg_s: Array
    rate_cmd_deg_s: Array
    accel_deg_s2: Array
    current_a: Array
    temperature_c: Array
    brake_engaged: Codes
    brake_engage_cmd: Codes
    payload_kg: Array
    person_on_tip: Codes
    base_end: Codes
    load_nm: Array
    motion: Codes
    stage: Codes
    direction: Codes
    segment: NDArray[np.int32]

    def __len__(self) -> int:
        return len(self.time)

    def rows(self, first: int, stop: int) -> JointColumns:
        """Return rows ``first`` to ``stop`` (not included), segments numbered from 0."""
        part = {f.name: getattr(self, f.name)[first:stop] for f in fields(JointColumns)}
        if len(part["segment"]):
            part["segment"] = part["segment"] - part["segment"][0]
        return JointColumns(**part)

    def frame(self) -> pl.DataFrame:
        """Return the same as a table with the types of `replay.units.JOINT_TABLE`."""
        raw = pl.DataFrame({f.name: getattr(self, f.name) for f in fields(JointColumns)})
        return raw.select(_COLUMNS)


def columns_of(table: pl.DataFrame | JointColumns) -> JointColumns:
    """Return a joint table's columns as arrays; what is arrays already comes back as it is.

    A column that is not there counts as not logged.
    """
    if isinstance(table, JointColumns):
        return table
    made: dict[str, Any] = {}
    for name, dtype in JOINT_TABLE.items():
        here = name in table.columns
        column = table[name] if here else pl.Series(name, [None] * table.height, dtype)
        if dtype == TIME_DTYPE and not here:
            made[name] = np.round(table["t_s"].to_numpy() * 1e9).astype(np.int64)
        elif dtype == TIME_DTYPE:
            made[name] = column.to_physical().to_numpy()
        elif name in _WORDS:
            codes = {word: code for code, word in enumerate(_WORDS[name])}
            made[name] = column.replace_strict(codes, default=-1, return_dtype=pl.Int8).to_numpy()
        elif dtype.is_float():
            if column.null_count() == column.len():
                made[name] = np.full(column.len(), np.nan)
            else:
                made[name] = column.cast(pl.Float64).to_numpy()
        elif dtype == pl.Boolean:
            made[name] = column.cast(pl.Int8).fill_null(-1).to_numpy()
        else:
            made[name] = column.cast(dtype).fill_null(0).to_numpy()
    return JointColumns(**made)


def _words(name: str, words: tuple[str, ...]) -> pl.Expr:
    """Return the words of a column of codes, null for -1."""
    code = pl.col(name)
    names = pl.lit(pl.Series([*words, None], dtype=pl.String))
    at = pl.when(code < 0).then(len(words)).otherwise(code).cast(pl.UInt32)
    return names.gather(at).alias(name)


def _column(name: str, dtype: pl.DataType) -> pl.Expr:
    """Return the expression that gives a column of the joint table its final type."""
    if name in _WORDS:
        return _words(name, _WORDS[name])
    column = pl.col(name)
    if dtype == TIME_DTYPE:
        return column.cast(pl.Datetime("ns")).dt.replace_time_zone("UTC")
    if dtype == pl.Boolean:
        return pl.when(column >= 0).then(column == 1).alias(name)
    if dtype.is_float():
        return column.fill_nan(None)
    return column.cast(dtype)


_WORDS = {"motion": segments.MOTIONS, "stage": segments.STAGES, "base_end": ENDS}
_COLUMNS = [_column(name, dtype) for name, dtype in JOINT_TABLE.items()]
