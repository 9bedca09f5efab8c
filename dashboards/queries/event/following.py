"""What is said of a flag that another one of its finding leads."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dashboards.figures.detectors import spoken
from dashboards.queries.event.causes import number


def following(read: Mapping[str, Any]) -> tuple[str, str, str]:
    """Return what was expected and seen of its own joint, and by how much, from its evidence.

    >>> following({"detector": "push 2s", "detector_value": -8.24, "duration_s": 0.35})[1]
    'current without the motion it asks for, over 2 s: -8.2 healthy spreads, for 0.35 s'
    """
    detector, value = read.get("detector"), number(read, "detector_value")
    if not isinstance(detector, str) or value is None:
        return "", "", ""
    long = number(read, "duration_s")
    lasted = "" if long is None else f", for {long:.2f} s"
    expected = "no departure of this joint beyond what healthy sessions show"
    return expected, f"{spoken(detector)}: {value:+.1f} healthy spreads{lasted}", ""
