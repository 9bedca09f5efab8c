"""A season that no temperature tells passes for wear over a year: it is doubt, not a trend."""

import numpy as np
import polars as pl
import pytest
from makers import no_notes, unit

from replay.wear.assessment.trends import judge


def without_temperature(seed, *, growth, season, indicator="friction at usual rate"):
    """Return a year of sessions that ends in the cold, its temperatures not logged."""
    made = unit(seed, growth=growth, season=season, sessions=60, years=0.9, noise=0.01,
                missing=False, indicator=indicator)  # fmt: skip
    return made, made.rows.with_columns(pl.lit(None, dtype=pl.Float64).alias("temperature_c"))


@pytest.mark.parametrize("seed", range(4))
def test_a_season_that_nobody_logged_is_not_called_wear(seed):
    made, rows = without_temperature([seed, 3], growth=0.0, season=0.1)
    assert np.polyfit(made.years, rows["value"].to_numpy(), 1)[0] > 0.08  # it looks like wear
    (found,) = judge(rows, no_notes(), {})
    assert found.result == "steady"
    assert "season sine" in found.detail["corrected_for"]


def test_growth_beyond_any_season_is_called():
    _, rows = without_temperature([1, 4], growth=0.8, season=0.05)
    (found,) = judge(rows, no_notes(), {})
    assert found.result == "rising"


def test_where_temperature_is_logged_no_season_is_free():
    made, _ = without_temperature([2, 5], growth=0.0, season=0.1)
    (found,) = judge(made.rows, no_notes(), {})
    assert "season sine" not in found.detail["corrected_for"]
    assert "temperature_c" in found.detail["corrected_for"]


def test_what_is_no_current_has_no_season():
    _, rows = without_temperature([3, 6], growth=0.0, season=0.1, indicator="backlash at reversals")
    (found,) = judge(rows, no_notes(), {})
    assert "season sine" not in found.detail["corrected_for"]
