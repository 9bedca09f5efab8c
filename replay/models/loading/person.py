"""A person on the tip: a load that nobody knows.

No column tells what they weigh or with what they lean on the arm, nor whether the payload
counts them: what the joints take for it is no fault.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.ndimage import maximum_filter1d

from replay.models.grid.blocks import SessionBlocks
from replay.models.loading.payload import Payloads, reach
from replay.settings import setting


def with_person(payload: Payloads, blocks: SessionBlocks) -> Payloads:
    """Return a payload that is in doubt by a person's weight while one is on the tip."""
    there = (blocks.person_on_tip == 1).astype(np.float64)
    if not there.any():
        return payload
    kg = setting("person_kg") * maximum_filter1d(there, reach(blocks, 1.0), mode="nearest")
    return replace(payload, sd_kg=np.hypot(payload.sd_kg, kg))


def person_words(blocks: SessionBlocks, payload: Payloads) -> tuple[str, ...]:
    """Return a sentence for the session's first line, none where nobody was there."""
    there = blocks.person_on_tip == 1
    there_s = float(np.count_nonzero(there)) * blocks.step_s
    if not there_s:
        return ()
    untold = (
        "whether the payload that the log tells of counts them is not known"
        if payload.declared and np.any(payload.mass_kg[there] > 0)
        else "no column tells what they weigh"
    )
    return (
        f"a person was on the tip for {there_s:.0f} s, and {untold}: "
        f"loads are in doubt there by {setting('person_kg'):.0f} kg",
    )
