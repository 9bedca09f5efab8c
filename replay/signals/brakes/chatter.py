"""How often a brake's word changes: cycles, and chatter.

Chatter is a word that goes and comes back within `CHATTER_S`, its command unchanged.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import polars as pl

from replay.signals.brakes.brake_events import changes
from replay.signals.joint_signals import JointSignals, signals_of

CHATTER_S = 1.0


CHATTER_SCHEMA: dict[str, pl.DataType] = {
    "start": pl.Datetime("ns", "UTC"),
    "end": pl.Datetime("ns", "UTC"),
    "count": pl.Int64(),  # times that the word went and came back
    "commanded": pl.Boolean(),  # false, or null where no command was logged
    "time_se_s": pl.Float64(),
}
"""Columns of `chatter`."""


def chatter(table: pl.DataFrame | JointSignals) -> pl.DataFrame:
    """Return one row per spell of chatter; columns of `CHATTER_SCHEMA`.

    The state's word goes and comes back within `CHATTER_S` with its command
    unchanged; such changes one after the other are one spell. A brake that is
    cycled by command does not chatter, however fast. Where no command was
    logged nobody can tell, and ``commanded`` is null.
    """
    a = signals_of(table)
    spells: list[dict[str, object]] = []
    last = -1
    for (k, _), (k_next, _) in pairwise(changes(a.brake_engaged)):
        known = a.brake_engage_cmd[k : k_next + 1]
        known = known[known >= 0]
        if (known.size and np.ptp(known) > 0) or a.t_s[k_next] - a.t_s[k] > CHATTER_S:
            continue
        if spells and last == k:
            spells[-1] |= {"end": a.times()[k_next], "count": int(str(spells[-1]["count"])) + 1}
        else:
            told = False if known.size else None
            spells.append(
                {
                    "start": a.times()[k],
                    "end": a.times()[k_next],
                    "count": 1,
                    "commanded": told,
                    "time_se_s": a.step_s / 12**0.5,
                }
            )
        last = k_next
    return pl.DataFrame(spells, schema=CHATTER_SCHEMA)


def cycle_count(table: pl.DataFrame | JointSignals) -> int:
    """Return the number of engagements (state's word, else command)."""
    a = signals_of(table)
    engaged = a.brake_engaged if (a.brake_engaged >= 0).any() else a.brake_engage_cmd
    return sum(state == 1 for _, state in changes(engaged))
