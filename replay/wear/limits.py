"""Where an indicator must not go: set by the user, per indicator or per unit.

The tool brings one limit of its own: margin left reaches zero. Every other
limit is a decision of the operator's rules, not of a program.
"""

from __future__ import annotations

import json
import math

from replay.archive import Archive
from replay.errors import UsageError

DOCUMENT = "wear/limits.json"
OWN: dict[str, float] = {"margin left": 0.0}


def limits(archive: Archive) -> dict[str, float]:
    """Return the limits; keys are ``indicator`` or ``serial/indicator``."""
    found = dict(OWN)
    if DOCUMENT in archive.documents("wear"):
        found |= {k: float(v) for k, v in json.loads(archive.read_document(DOCUMENT)).items()}
    return found


def set_limit(
    archive: Archive, indicator: str, value: float | None, *, serial: str | None = None
) -> None:
    """Set or (with None) remove a limit, in the indicator's unit.

    Raises
    ------
    UsageError
        For a limit that is not a finite number.
    """
    if value is not None and not math.isfinite(value):
        raise UsageError(f"a limit must be a finite number, not {value}")
    kept = {k: v for k, v in limits(archive).items() if OWN.get(k) != v}
    key = f"{serial}/{indicator}" if serial else indicator
    if value is None:
        kept.pop(key, None)
    else:
        kept[key] = value
    archive.write_document(DOCUMENT, json.dumps(kept, sort_keys=True, indent=1).encode())


def limit_for(found: dict[str, float], serial: str, indicator: str) -> float | None:
    """Return the limit of one unit's indicator, the unit's own first."""
    return found.get(f"{serial}/{indicator}", found.get(indicator))
