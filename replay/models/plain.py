"""Dataclasses and arrays as plain numbers and words that JSON can carry, and back."""

from __future__ import annotations

import types
import typing
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np


def to_plain(value: Any) -> Any:
    """Return dataclasses, arrays and tuples as what JSON can carry; NaN becomes None."""
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: to_plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, np.ndarray):
        return {"shape": list(value.shape), "values": [to_plain(v) for v in value.ravel().tolist()]}
    if isinstance(value, Mapping):
        return {str(k): to_plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [to_plain(v) for v in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not np.isfinite(value):
        return None if np.isnan(value) else ("inf" if value > 0 else "-inf")
    return value


def from_plain(kind: Any, data: Any) -> Any:
    """Rebuild a value of a declared type from `to_plain`'s form."""
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin in (typing.Union, types.UnionType):
        if data is None:
            return None
        return from_plain(next(k for k in inner if k is not type(None)), data)
    if is_dataclass(kind) and isinstance(kind, type):
        hints = typing.get_type_hints(kind)
        return kind(**{f.name: from_plain(hints[f.name], data[f.name]) for f in fields(kind)})
    if origin is np.ndarray:
        values = np.array([_number(v) for v in data["values"]], dtype=np.float64)
        return values.reshape(data["shape"])
    if origin is tuple:
        if len(inner) == 2 and inner[1] is Ellipsis:
            return tuple(from_plain(inner[0], v) for v in data)
        return tuple(from_plain(k, v) for k, v in zip(inner, data, strict=True))
    if origin in (dict, Mapping):
        return {from_plain(inner[0], k): from_plain(inner[1], v) for k, v in data.items()}
    if kind is float:
        return _number(data)
    return data


def _number(value: Any) -> float:
    return float("nan") if value is None else float(value)
