"""Why an untold joint has no trend: too few sessions, or too few blocks between works."""

from datetime import timedelta

import numpy as np
import polars as pl
from makers import BEGIN, unit

from replay.wear.assessment.assessing import assess
from replay.wear.histories.history import histories
from replay.wear.units.maintenance import SCHEMA as NOTES


def judged(*counts):
    """Return the assessment of an untold history with so many sessions between replacements."""
    made = unit(7, sessions=sum(counts), years=2.0, missing=False)
    rows = made.rows.with_columns(pl.lit(False).alias("posture_told"))
    ends = np.cumsum(counts)[:-1]
    when = [BEGIN + timedelta(days=365.25 * (made.years[k - 1] + made.years[k]) / 2) for k in ends]
    notes = [
        dict.fromkeys(NOTES, "") | {"serial": "TU-101", "date": w, "what": "relubricated"}
        for w in when
    ]
    found = histories(rows, pl.DataFrame(notes, schema=NOTES), use=pl.DataFrame())
    return assess(next(iter(found)))


def test_too_few_sessions_and_too_few_blocks_are_two_reasons():
    few = judged(10)
    assert few.reason.startswith("10 sessions, fewer than 18 of a joint whose current follows")
    assert judged(1).reason.startswith("1 session, fewer than ")
    parted = judged(4, 4, 8, 8)
    assert parted.slope is None
    assert "fewer than" not in parted.reason
    assert parted.reason.startswith("too few blocks between maintenance works")
    assert judged(24).slope is not None
