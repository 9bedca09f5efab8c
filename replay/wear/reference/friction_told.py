"""Whether a session's friction can be told from its load."""

from __future__ import annotations

import numpy as np

from replay.wear.measures.measure import Floats
from replay.wear.measures.motions import Motions


def friction_is_told(m: Motions, left: Floats, motion_spread_a: float) -> bool:
    """Tell whether both directions were seen, each costs current, and more than motions differ."""
    levels = [
        float(np.median(sign * left[m.direction == sign]))
        for sign in (1.0, -1.0)
        if (m.direction == sign).any()
    ]
    return len(levels) == 2 and min(levels) > 0 and sum(levels) / 2 > motion_spread_a
