"""Sessions of a stint share what nobody logged: a slope's interval pays for it."""

import numpy as np
import polars as pl
from histories_of_physics import stint_unit
from makers import no_notes

from replay.wear.assessment.assessing import assess
from replay.wear.histories.history import histories


def price(seed, noise, *, shared=True):
    """Return what a slope's variance is multiplied by for what neighbours share."""
    made = stint_unit([seed, 8], "TU-01", 0.0, 200, 2.0, noise)
    rows = made.rows
    if not shared:
        mixed = np.random.default_rng(seed).permutation(rows.height)
        rest = (rows["value"].to_numpy() - made.known)[mixed]
        rows = rows.with_columns(pl.Series("value", rest + made.known))
    history = next(iter(histories(rows, no_notes(), use=pl.DataFrame())))
    return assess(history).variance_factor / history.adjusted.variance_factor


def test_what_a_stint_adds_is_paid_for_though_neighbours_hardly_show_it():
    together = [price(seed, 0.015) for seed in range(12)]
    apart = [price(seed, 0.015, shared=False) for seed in range(12)]
    assert np.median(together) > 2.5
    assert np.median(apart) < 1.2
