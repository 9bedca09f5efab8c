"""A slip of one session is told beside a trend that does not bend to it; due dates are whole."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from dashboards.queries import wear
from replay.wear.assessment.far_sessions import FEWEST, far_sessions
from tests.queries.test_wear_sentence import Told, steady

FIRST = datetime(2032, 1, 1, tzinfo=UTC)


def points(values: list[float], se: float | None = 0.002) -> pl.DataFrame:
    starts = [FIRST + timedelta(days=k) for k in range(len(values))]
    return pl.DataFrame(
        {"start": starts, "value": values, "adjusted": values, "se": [se] * len(values)},
        schema_overrides={"se": pl.Float64},
    )


QUIET = [0.003, 0.0029, 0.0001, 0.002, 0.0031, 0.003, 0.0028, 0.0015]


def test_one_slip_among_quiet_sessions_is_said_beside_steady():
    slipped = [*QUIET[:5], 0.797, *QUIET[5:]]
    told = Told(steady(n=9), points=points(slipped))
    told.history.unit = "deg"
    said = wear.sentence(told)
    assert "holds steady over 9 sessions" in said
    assert "One session lies far from the others: 0.797 deg on 2032-01-06" in said


@pytest.mark.parametrize(
    ("values", "se"),
    [(QUIET, 0.002), ([*QUIET, 0.797], 0.3), ([0.003, 0.8], 0.002), ([0.003] * 8, None)],
)
def test_quiet_coarse_or_few_sessions_are_not_called_far(values, se):
    assert far_sessions(points(values, se), "deg") == ""


def test_several_far_sessions_are_counted():
    said = far_sessions(points([*QUIET, 0.8, *QUIET, -0.9], 0.002), "deg")
    assert said.startswith("2 sessions lie far from the others, the farthest at -0.9 deg on ")
    assert FEWEST > 2


@pytest.mark.parametrize(
    ("before", "said"),
    [
        ("2033-06", "No unit with a trend may reach its limit before 2033-06; "
                    "next is TU-3: not before 2034-07. "
                    "Not dated, which is no promise: TU-5."),
        ("2035-01", "1 unit may reach its limit before 2035-01, by the early end of the interval; "
                    "next is TU-4: not before 2035-02. Not dated, which is no promise: TU-5."),
    ],
)  # fmt: skip
def test_no_unit_due_names_the_next_and_those_without_a_date(monkeypatch, before, said):
    dates = [datetime(2034, 7, 1, tzinfo=UTC), datetime(2035, 2, 1, tzinfo=UTC), None, None]
    table = pl.DataFrame(
        {
            "serial": ["TU-3", "TU-4", "TU-5", "TU-9"],
            "limit_date_low": dates,
            "limit_date": dates,
            "limit_date_high": [None] * 4,
            "installed": [True, True, True, False],
            "result": ["falling", "falling", "steady", "steady"],
        },
        schema_overrides={"limit_date_high": pl.Datetime("us", "UTC")},
    )
    monkeypatch.setattr(wear, "fleet", lambda archive, **_: table)
    monkeypatch.setattr(wear, "due_of", lambda row: f"not before {row['limit_date_low']:%Y-%m}")
    assert wear.due_before_words(None, before) == said


def test_the_told_history_of_before_is_untouched():
    assert wear.sentence(replace(Told(steady()))).endswith("over 60 sessions; no limit is set.")
