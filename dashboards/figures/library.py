"""The small picture of a session in the library's grid, and its words.

The picture itself is drawn by the browser (`assets/library.js`) for the rows
in sight only. What it is made of, and what a screen reader says instead, is
decided here.
"""

from __future__ import annotations

import math

from dashboards import theme

SHAPES = ("·", *theme.SEVERITY_SHAPES.values())
"""No flag, note, look, act: the same shapes as everywhere in the program."""

SEVERITIES = ("no flag", "note", "look", "act")


def picture_words(marks: str, joints: list[str], completeness: float | None) -> str:
    """Say in words what a row's picture shows.

    >>> picture_words("0030", ["J1", "J2", "J3", "J4"], 0.98)
    'J3 act; 98 % complete'
    """
    flagged = [
        f"{joint} {SEVERITIES[int(mark)]}"
        for mark, joint in zip(marks, joints, strict=False)
        if mark != "0"
    ]
    said = ", ".join(flagged) or "no flags"
    if completeness is None:
        return f"{said}; completeness not known"
    return f"{said}; {math.floor(100 * completeness + 1e-9)} % complete"
