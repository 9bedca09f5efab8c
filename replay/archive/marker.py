"""The archive's marker: its schema version and the tables it is known to have.

It lies in two places, each under its seal, so that one damaged byte neither
closes the archive nor lets a table go missing unseen. Markers of schema
versions before 2 have no seal and no second place.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Literal

from replay.archive import layout
from replay.archive.disk.place import Place
from replay.archive.disk.seal import sealed, unsealed

Fault = Literal["missing", "damaged", "older"]


@dataclass(frozen=True, slots=True)
class Marker:
    """What the marker says, and how far it can be believed."""

    version: int
    tables: tuple[str, ...] = ()
    first: Fault | None = None
    """What is wrong with the marker in the archive's folder."""
    second: Fault | None = None
    """What is wrong with its copy."""


def read_marker(root: Place, *, both: bool = False) -> Marker | None:
    """Return the marker from whichever place can be believed; None when neither can.

    The copy is looked at when the first is no good, or when ``both`` asks for it.
    """
    first, fault = _read(root.child(layout.MARKER))
    if first is not None and (not both or first.version < layout.SEALED_FROM):
        return first
    second, other = _read(root.child(layout.COPIES, layout.MARKER))
    if second is not None and second.version < layout.SEALED_FROM:
        second, other = None, "damaged"
    if first is None and second is None:
        return None
    held = first if first is not None else second
    assert held is not None
    if second is not None and (second.version, second.tables) != (held.version, held.tables):
        other = "older"
    return Marker(held.version, held.tables, fault, other)


def write_marker(root: Place, version: int, tables: tuple[str, ...]) -> None:
    """Write both markers, the one that counts first."""
    content = sealed({"schema_version": version, "tables": sorted(set(tables))})
    root.child(layout.MARKER).write(content)
    root.child(layout.COPIES, layout.MARKER).write(content)


def _read(place: Place) -> tuple[Marker | None, Fault | None]:
    try:
        if not place.exists():
            return None, "missing"
        content = place.read()
    except OSError:
        return None, "damaged"
    try:
        plain = json.loads(content)
        version = int(plain["schema_version"])
    except (ValueError, KeyError, TypeError):
        return None, "damaged"
    bare = set(plain) == {"schema_version"}
    if bare and not layout.SEALED_FROM <= version <= layout.SCHEMA_VERSION:
        return Marker(version), None
    whole = unsealed(content)
    if whole is None:
        return None, "damaged"
    return Marker(version, tuple(whole.get("tables", ()))), None
