"""Results as what JSON holds: times spelled out, frames as rows, nothing for NaN."""

from __future__ import annotations

from dataclasses import asdict, is_dataclass
from datetime import datetime
from typing import Any

import polars as pl

FORMER_KEYS = {
    "result": "verdict",
    "status": "verdict",
    "answer_status": "answer_verdict",
    "delay_status": "delay_verdict",
    "stop_status": "stop_verdict",
}
"""What documents called a trend's result and a measurement's status before; scripts rely on it."""


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


def iso(instant: datetime) -> str:
    """ISO 8601 UTC with Z, microseconds only where there are any."""
    return instant.isoformat().replace("+00:00", "Z")


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
