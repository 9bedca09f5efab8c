"""What is said of a rate and of a date stands together: one set of digits, one reason apart."""

from datetime import UTC, datetime

import polars as pl
import pytest

from replay.wear.assessment.saying import due, rate, why_not_the_line
from replay.wear.assessment.trends import judge
from replay.wear.units.fleet import fleet_of
from tests.wear.makers import no_notes, unit


def slowing(seed: int = 4):
    """Return a friction that grows ever slower: its straight trend meets a limit too soon."""
    return unit(
        seed, law="slowing", growth=0.4, sessions=60, noise=0.01, season=0.0, missing=False
    ).rows


def projection_of(rows):
    t = judge(rows, no_notes(), {"friction at usual rate": 1.9})[0]
    return t, t.detail["projection"]


def test_a_projection_that_leaves_the_straight_trend_says_so_with_both_dates():
    t, projection = projection_of(slowing())
    assert projection["word"] == "projected"
    # the line's date is the one that a reader works out from what stands on the page
    years = (projection["limit"] - t.detail["level"]) / t.slope_per_year
    assert projection["remaining_years_line"] == pytest.approx(years)
    assert projection["remaining_years"] > 1.1 * years
    said = why_not_the_line(projection)
    assert f"{projection['date_line']:%B %Y}" in said
    assert "comes later" in said
    assert "courses that slow down" in said
    row = fleet_of([t], {}).row(0, named=True)
    assert f"in a straight line to its limit about {projection['date_line']:%Y-%m}" in row["why"]


def test_where_line_and_median_agree_nothing_is_explained():
    near = {"date": datetime(2036, 2, 1, tzinfo=UTC), "remaining_years": 4.0, "laws": [],
            "date_line": datetime(2036, 1, 1, tzinfo=UTC), "remaining_years_line": 3.9}  # fmt: skip
    assert why_not_the_line(near) == ""


def test_a_unit_that_is_out_has_no_date_to_come():
    old = unit(8, growth=0.4, sessions=40, missing=False, serial="TU-1")
    new = unit(9, growth=0.0, sessions=40, missing=False, serial="TU-2")
    later = new.rows.with_columns(pl.col("start", "at").dt.offset_by("3y"))
    bounds = {"friction at usual rate": 2.0}
    alone = judge(old.rows, no_notes(), bounds)[0].detail["projection"]
    assert alone["word"] == "projected"
    found = judge(pl.concat([old.rows, later]), no_notes(), bounds)
    out = next(t for t in found if t.serial == "TU-1").detail["projection"]
    assert out["word"] == "removed"
    assert not [k for k, v in out.items() if v is not None and k.startswith(("date", "remain"))]
    rows = {r["serial"]: r for r in fleet_of(found, {}).iter_rows(named=True)}
    assert rows["TU-1"]["attention"] == "removed"
    assert rows["TU-1"]["why"].startswith("out of its place, last logged ")
    assert rows["TU-1"]["limit_date_low"] is None


def test_a_rate_and_its_interval_share_their_digits():
    assert rate(0.0156, 0.00064, 0.0306, "s") == "+0.016 s a year (+0.001 to +0.031)"
    assert rate(-9.346, -13.52, -6.577, "%") == "−9.3 points a year (−13.5 to −6.6)"


def test_an_interval_open_to_one_side_is_said_as_not_before():
    dates = {"date": datetime(2041, 10, 2, tzinfo=UTC), "date_high": None}
    low = datetime(2035, 6, 2, tzinfo=UTC)
    assert due(dates | {"date_low": low}) == "not before 2035-06, median 2041-10"
    assert due(dates | {"date": None, "date_low": low}) == "not before 2035-06"
