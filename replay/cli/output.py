"""How commands speak: JSON and tables on stdout, progress on stderr."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from dataclasses import asdict, is_dataclass
from datetime import datetime
from typing import Any, TypeVar

import orjson
import polars as pl
from tqdm import tqdm

T = TypeVar("T")

FORMER_KEYS = {
    "result": "verdict",
    "status": "verdict",
    "answer_status": "answer_verdict",
    "delay_status": "delay_verdict",
    "stop_status": "stop_verdict",
}
"""What documents called a trend's result and a measurement's status before; scripts rely on it."""


def say(text: str) -> None:
    """Print a message for the person at the terminal, on standard error."""
    print(text, file=sys.stderr, flush=True)


def progress(items: Iterable[T], *, total: int | None = None, what: str = "") -> Iterable[T]:
    """Wrap ``items`` in a progress bar on standard error."""
    bar: Iterable[T] = tqdm(
        items, total=total, desc=what, file=sys.stderr, disable=None, leave=False
    )
    return bar


def print_json(document: Any) -> None:
    """Print one JSON document; dataclasses and times are spelled out."""
    sys.stdout.write(orjson.dumps(plain(document), option=orjson.OPT_INDENT_2).decode() + "\n")


def plain(value: Any) -> Any:
    """Turn dataclasses, times and frames into what JSON holds; NaN is null."""
    if is_dataclass(value) and not isinstance(value, type):
        return plain(asdict(value))
    if isinstance(value, pl.DataFrame):
        return [plain(row) for row in value.to_dicts()]
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple | set):
        return [plain(v) for v in value]
    if isinstance(value, datetime):
        return iso(value)
    if hasattr(value, "item"):  # numpy scalars
        return plain(value.item())
    if isinstance(value, float) and value != value:
        return None
    return value


def with_former_keys(value: Any) -> Any:
    """Return what JSON holds with each renamed key also under its former name.

    >>> with_former_keys({"trends": [{"result": "steady"}]})
    {'trends': [{'result': 'steady', 'verdict': 'steady'}]}
    """
    value = plain(value)
    if isinstance(value, list):
        return [with_former_keys(v) for v in value]
    if not isinstance(value, dict):
        return value
    found = {k: with_former_keys(v) for k, v in value.items()}
    return found | {FORMER_KEYS[k]: v for k, v in found.items() if k in FORMER_KEYS}


def iso(instant: datetime) -> str:
    """ISO 8601 UTC with Z, microseconds only where there are any."""
    return instant.isoformat().replace("+00:00", "Z")


def print_table(frame: pl.DataFrame) -> None:
    """Print a frame for reading: no types, no shape, all rows and columns."""
    with pl.Config(
        tbl_rows=-1,
        tbl_cols=-1,
        tbl_hide_dataframe_shape=True,
        tbl_hide_column_data_types=True,
        tbl_formatting="NOTHING",
        tbl_width_chars=200,
        fmt_str_lengths=110,
    ):
        print(frame)
