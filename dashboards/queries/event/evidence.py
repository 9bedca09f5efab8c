"""A flag's evidence as words and figures with their units."""

from __future__ import annotations

import json
from typing import Any


def evidence_words(text: str | None) -> tuple[tuple[str, str], ...]:
    """Turn a flag's evidence (a JSON object) into pairs of words.

    >>> evidence_words('{"current_shift_a": 1.25, "detector": "residual"}')
    (('current shift', '1.25 A'), ('detector', 'residual'))
    """
    try:
        found = json.loads(text or "{}")
    except ValueError:
        return (("evidence", str(text)),)
    if not isinstance(found, dict):
        return (("evidence", str(found)),)
    return tuple(
        _spoken(str(key), value)
        for key, value in found.items()
        if value is not None and value != [] and key not in _BOOKKEEPING
    )


_BOOKKEEPING = frozenset({"from_s", "to_s"})
"""Places the page shows as times already."""


_UNITS = (
    ("_deg_s2", "deg/s²"),
    ("_deg_s", "deg/s"),
    ("_deg", "deg"),
    ("_ms", "ms"),
    ("_s", "s"),
    ("_nm", "N m"),
    ("_kg", "kg"),
    ("_hz", "Hz"),
    ("_a", "A"),
    ("_c", "°C"),
    ("_share", ""),
)


def _spoken(key: str, value: Any) -> tuple[str, str]:
    unit = ""
    for ending, word in _UNITS:
        if key.endswith(ending) and isinstance(value, int | float | list):
            key, unit = key.removesuffix(ending), word
            break
    return key.replace("_", " ").strip(), f"{_figure(value)} {unit}".strip()


def _figure(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"
    if isinstance(value, list):
        return ", ".join(_figure(v) for v in value)
    if isinstance(value, dict):
        return "; ".join(f"{k.replace('_', ' ')} {_figure(v)}" for k, v in value.items())
    return str(value)
