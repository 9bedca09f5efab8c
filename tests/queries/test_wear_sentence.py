"""The sentence that the wear page leads with: what is said is so, for each result."""

from dataclasses import dataclass, field
from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

import polars as pl
import pytest

from dashboards.queries import wear
from dashboards.queries.wear import TOO_SMALL, sentence
from replay.records import Trend
from replay.wear.assessment.trends import _with_result
from replay.wear.units.fleet import fleet_of

LAST = datetime(2033, 1, 1, tzinfo=UTC)
AHEAD = datetime(2034, 5, 1, tzinfo=UTC)
GONE = pl.DataFrame({"what": ["replaced"], "date": [datetime(2033, 1, 14, tzinfo=UTC)]})
COME = "the date is what it would have come to"


def limit(word: str, **dates: Any) -> dict[str, Any]:
    return {"word": word, "limit": 20.0, "date": None, "date_low": None, "date_high": None} | dates


@dataclass
class Told:
    """The parts of a unit's history that the sentence reads."""

    trend: Trend
    notes: pl.DataFrame = field(default_factory=pl.DataFrame)
    points: pl.DataFrame = field(default_factory=lambda: pl.DataFrame({"start": [LAST]}))
    history: Any = field(
        default_factory=lambda: SimpleNamespace(indicator="drag of full travel", unit="A")
    )


def steady(n: int = 60, adjusted: float = 0.001, projection: dict[str, Any] | None = None) -> Trend:
    """Return a trend that is too small to matter, judged as the engine judges it."""
    slope = Trend(
        joint="J1", indicator="drag of full travel", unit="A", n=n, slope_per_year=0.01,
        slope_low=0.005, slope_high=0.015, p_value=0.0005, result="steady", serial="TU-1",
        detail={"matters": False, "slope": 0.01, "moved_since": None, "projection": projection},
    )  # fmt: skip
    return _with_result(slope, adjusted)


def test_a_trend_too_small_to_matter_is_not_called_chance():
    said = sentence(Told(steady(projection=limit("projected", date=AHEAD))))
    assert "beyond chance" not in said
    assert TOO_SMALL in said
    assert "; if it goes on as the line does, it reaches its limit of 20 A about May 2034." in said


def test_no_trend_beyond_chance_is_called_so():
    said = sentence(Told(steady(adjusted=0.6, projection=limit("projected", date=AHEAD))))
    assert "shows no trend beyond chance over 60 sessions, nor that it is steady" in said
    assert TOO_SMALL not in said


@pytest.mark.parametrize(
    ("projection", "dated"),
    [
        (None, False),
        (limit("passed", date=LAST), False),
        (limit("impossible"), False),
        (limit("beyond", date_low=AHEAD), True),
        (limit("projected", date=AHEAD), True),
    ],
)
def test_a_replaced_unit_has_a_date_only_where_one_was_said(projection, dated):
    said = sentence(Told(steady(projection=projection), GONE))
    assert " It was replaced on 2033-01-14" in said
    assert (COME in said) == dated == ("2034" in said)


def test_one_session_is_one():
    assert "holds steady over 1 session; " in sentence(Told(steady(n=1)))


def test_the_words_of_a_unit_do_not_change_the_sentence():
    told = Told(steady())
    told.history.indicator = "what is left if it goes on"
    assert sentence(told).endswith("over 60 sessions; no limit is set.")


def falling(unit: str = "%", **projection: Any) -> Told:
    trend = Trend(
        joint="J4", indicator="margin left", unit=unit, n=17, slope_per_year=-9.346,
        slope_low=-13.55, slope_high=-6.577, p_value=0.003, result="falling", serial="TU-104",
        last_value=46.2, since=datetime(2031, 2, 11, tzinfo=UTC),
        detail={"projection": projection or None},
    )  # fmt: skip
    return Told(trend, history=SimpleNamespace(indicator="margin left", unit=unit))


def test_a_share_falls_by_points_in_the_digits_of_the_list():
    said = sentence(falling())
    assert "is falling by about 9.3 points a year since February 2031" in said
    assert "−9.3 points a year" in fleet_of([falling().trend], {})["why"][0]
    assert "by about 9.3 A a year" in sentence(falling("A"))


def test_an_open_end_is_not_before_and_the_straight_trend_is_told_beside_it():
    laws = [{"law": "slowing", "weight": 0.55}, {"law": "straight", "weight": 0.45}]
    dates = {
        "date": datetime(2041, 10, 3, tzinfo=UTC),
        "date_low": datetime(2035, 6, 3, tzinfo=UTC),
        "date_line": datetime(2037, 11, 3, tzinfo=UTC),
    }
    left = {"remaining_years": 8.9, "remaining_years_line": 4.9}
    said = sentence(falling(**limit("projected", **dates), laws=laws, **left))
    assert "it reaches its limit of 20 % not before June 2035 (95 %)" in said
    assert "beyond what can be told" not in said
    assert "straight trend alone would meet it about November 2037" in said
    assert "comes later" in said
    assert "55 % of the weight on courses that slow down" in said


def test_without_a_trend_no_date_is_given_and_the_bound_is_called_one():
    said = sentence(Told(steady(projection=limit("beyond", date_low=AHEAD))))
    assert "no trend leads to its limit of 20 A, so no date is given" in said
    assert "the sessions bear only that it is not reached before May 2034 (95 %)." in said


def unit(serial: str, result: str, low: int, median: int | None) -> dict[str, Any]:
    return {
        "serial": serial, "result": result, "installed": True,
        "attention": "worsening" if result == "falling" else "steady",
        "limit_date": median and datetime(median, 1, 1, tzinfo=UTC),
        "limit_date_low": datetime(low, 6, 1, tzinfo=UTC), "limit_date_high": None,
    }  # fmt: skip


def test_a_bound_without_a_trend_is_no_date_before_one_that_wear_leads_to(monkeypatch):
    """A steady unit of few sessions stood as the first to fall due, with nothing said."""
    rows = [unit("TU-3", "steady", 2034, None), unit("TU-4", "falling", 2035, 2041)]
    table = pl.DataFrame(rows, infer_schema_length=None)
    monkeypatch.setattr(wear, "fleet", lambda archive, **_: table)
    assert wear.fleet_by_date(None)["serial"].to_list() == ["TU-4", "TU-3"]
    assert wear.due_of(rows[0]) == "no trend, so no date; not before 2034-06"
    assert wear.due_of(rows[1]) == "not before 2035-06, median 2041-01"
    undated = rows[0] | {"limit_date_low": None}
    assert wear.due_of(undated | {"limit": 0.0}) == "not in sight"  # no empty place beside dates
    assert wear.due_of(undated | {"limit": None}) == "no limit is set"
    assert wear.due_of(undated | {"limit": None, "attention": "removed"}) == ""
    assert wear.due_of(undated | {"limit": None, "result": "too-few"}) == ""
    assert "nothing foretells when it is reached" in wear.bounds_words(table)
    assert wear.bounds_words(table.filter(pl.col("result") == "falling")) == ""
    said = wear.due_before_words(None, "2034-12")
    assert said.startswith("No unit with a trend may reach its limit before 2034-12; next is TU-4")
    assert "Without a trend, yet not ruled out before 2034-12: TU-3." in said


def test_a_unit_that_is_out_has_no_date():
    said = sentence(Told(steady(projection=limit("removed"))))
    assert "the unit is out of its place, no limit date is coming" in said
    assert "steady" not in said
