"""How a unit stands among units of its kind."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from replay.records import Trend
from replay.statistics.spread import spread as robust_spread
from replay.wear.catalogue import describe

PEERS_LEAST = 4
"""A unit needs this many peers to be compared with them."""


def peer_scores(
    found: Sequence[Trend], types: dict[str, str]
) -> dict[tuple[str, str], tuple[int, float]]:
    """Return (number of peers, robust z of the yearly change) per unit and indicator.

    The change per year is taken relative to the unit's own level: units of
    one type start at different friction, but should wear alike.
    """
    groups: dict[tuple[str, str], list[tuple[str, float, float]]] = defaultdict(list)
    for t in found:
        level, change = t.detail.get("level"), t.detail.get("change")
        about = describe(t.indicator)
        if t.slope_per_year is None or level is None or change is None:
            continue
        # Only what a decision rests on and what has a level to compare with:
        # a share of nearly nothing is noise.
        if not about.leading or about.worse == "either" or abs(level) < 10 * about.least:
            continue
        begin = abs(level - change)
        if begin <= 0 or t.slope_low is None or t.slope_high is None:
            continue
        width = (t.slope_high - t.slope_low) / (2 * 1.6449) / begin
        groups[types.get(t.serial, t.joint), t.indicator].append(
            (t.serial, t.slope_per_year / begin, width)
        )
    scores: dict[tuple[str, str], tuple[int, float]] = {}
    for (_, indicator), members in groups.items():
        if len(members) < PEERS_LEAST + 1:
            continue
        change = np.array([m[1] for m in members])
        error = np.array([m[2] for m in members])
        for k, (serial, _, _) in enumerate(members):
            others = np.delete(change, k)
            middle = float(np.median(others))
            spread = robust_spread(others)
            # Neither a chance cluster of peers nor a vague slope makes a departure.
            spread = max(spread, float(np.median(np.delete(error, k))))
            scale = float(np.hypot(spread, error[k]))
            z = (change[k] - middle) / scale if scale > 0 else 0.0
            scores[serial, indicator] = (len(others), float(z))
    return scores
