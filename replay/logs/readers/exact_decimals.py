"""Times in JSON that a double would round: their digits are taken from the text itself.

Seconds since 1970 with nine decimals have nineteen digits; a double keeps
sixteen. The key must stand once in every line, and its digits must be the
number that the JSON reader made, or the column stays as it was.
"""

from __future__ import annotations

import json
import re
from itertools import islice
from pathlib import Path
from typing import Any

import polars as pl

_LEAST = 1e8
"""Smaller numbers are no time since 1970 in any unit from seconds on."""
_DIGITS = 15
_SAME = 1e-15
_LOOKED_AT = 50
_LINE = "#line"


def with_exact_decimals(path: Path, frame: pl.LazyFrame) -> pl.LazyFrame:
    """Return the frame with such columns as text, digit for digit."""
    columns = frame.collect_schema().names()
    names = _long_ones(path, frame.collect_schema())
    if not names:
        return frame
    lines = (
        pl.scan_csv(
            path, has_header=False, separator="\x01", quote_char=None, new_columns=[_LINE],
            glob=False, schema={_LINE: pl.String},
        )
        .filter(pl.col(_LINE).str.strip_chars() != "")
    )  # fmt: skip
    for name in names:
        pattern = rf'"{re.escape(name.rpartition(".")[2])}"\s*:\s*(-?\d+\.\d+)\s*[,}}]'
        digits = pl.col(_LINE).str.extract(pattern).alias(name)
        once = (pl.col(_LINE).str.count_matches(pattern) == 1).all()
        told = lines.select(digits, once=once)
        same = pl.concat([told, frame.select(pl.col(name).alias("#was"))], how="horizontal")
        agrees = same.select(
            (
                pl.col("once").all()
                & ((pl.col(name).cast(pl.Float64) / pl.col("#was") - 1).abs() < _SAME).all()
            ).fill_null(False)
            & (pl.len() == pl.col("#was").count())
        ).collect()
        if agrees.item():
            frame = pl.concat([frame.drop(name), lines.select(digits)], how="horizontal")
    return frame.select(columns)


def _long_ones(path: Path, schema: pl.Schema) -> list[str]:
    """Return the columns in whose first numbers a double would lose digits."""
    found: list[str] = []
    with path.open(encoding="utf-8", errors="replace") as handle:
        for line in islice(handle, _LOOKED_AT):
            try:
                value = json.loads(line, parse_float=_Text)
            except ValueError:
                continue
            found += [name for name in _long(value, "") if schema.get(name) == pl.Float64]
    return list(dict.fromkeys(found))


class _Text(str):
    __slots__ = ()


def _long(value: Any, prefix: str) -> list[str]:
    if not isinstance(value, dict):
        return []
    names: list[str] = []
    for key, inner in value.items():
        name = f"{prefix}{key}"
        if isinstance(inner, _Text) and re.fullmatch(r"\d+\.\d+", inner):
            if float(inner) >= _LEAST and len(inner) - 1 > _DIGITS:
                names.append(name)
        else:
            names += _long(inner, f"{name}.")
    return names
