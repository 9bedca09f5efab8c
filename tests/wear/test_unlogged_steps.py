"""A step that nobody noted is found, dated, asked about, and hides no wear."""

from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest
from histories_of_physics import kind
from makers import LAWS, no_notes, note, unit

from replay.wear.assessment.assessing import assess
from replay.wear.assessment.questions import asked_steps
from replay.wear.assessment.trends import judge
from replay.wear.assessment.unlogged_steps import unlogged_steps
from replay.wear.histories.history import histories
from replay.wear.units.fleet import fleet_of

DAYS, CUT_DAY = 500, 260


def relubricated(seed, *, drop=0.2, growth=0.2, noise=0.02):
    """Return a history over 500 days whose friction fell on day 260, and that instant in years."""
    years = DAYS / 365.25
    made = unit(seed, growth=growth, sessions=120, years=years, noise=noise, missing=False)
    cut = CUT_DAY / 365.25
    values = made.rows["value"].to_numpy() - np.where(made.years >= cut, drop * 1.2, 0.0)
    return made, made.rows.with_columns(pl.Series("value", values)), cut


@pytest.mark.parametrize("seed", range(5))
def test_an_unlogged_relubrication_is_found_and_dated(seed):
    made, rows, cut = relubricated(seed)
    history = next(iter(histories(rows, no_notes(), use=pl.DataFrame())))
    (step,) = assess(history).asked
    assert made.years[max(step.after - 1, 0)] <= cut <= made.years[step.before]
    assert made.years[step.before] - made.years[step.after] < 0.15
    assert step.size == pytest.approx(-0.24, abs=0.1)


def test_it_is_a_question_with_dates_and_the_unit_is_not_steady():
    _, rows, _ = relubricated(1, growth=0.0)
    found = judge(rows, no_notes(), {})
    (question,) = found[0].detail["questions"]
    assert question["after"][:10] < question["before"][:10]
    assert question["question"].startswith("was something done between 2031-0")
    assert "fell by" in question["question"]
    row = fleet_of(found, {}).row(0, named=True)
    assert row["attention"] == "watch"
    assert row["why"] == question["question"]


def test_wear_on_both_sides_of_the_drop_is_called():
    _, rows, _ = relubricated(2, growth=0.4)
    (found,) = judge(rows, no_notes(), {})
    assert found.result == "rising"


def test_a_noted_relubrication_is_not_asked_about():
    made, rows, cut = relubricated(3)
    when = rows.filter(pl.Series(made.years) >= cut)["start"].min()
    (found,) = judge(rows, note("TU-101", when, "relubricated"), {})
    assert "questions" not in found.detail


def test_a_step_for_the_worse_stays_in_the_trend():
    _, rows, _ = relubricated(4, drop=-0.3, growth=0.0)
    (found,) = judge(rows, no_notes(), {})
    assert found.result == "rising"
    assert "rose by" in found.detail["questions"][0]["question"]


@pytest.mark.parametrize("law", LAWS)
def test_wear_without_a_step_is_not_asked_about(law):
    asked = 0
    for k in range(12):
        made = unit([k, 61], law=law, growth=0.6, sessions=150, noise=0.03)
        asked += bool(
            assess(next(iter(histories(made.rows, no_notes(), use=pl.DataFrame())))).asked
        )
    assert asked <= 1


def long_drop(seed, at, n=1200):
    """Return what is asked about a history of ``n`` sessions whose level falls at one of them."""
    rng = np.random.default_rng(seed)
    t = np.sort(rng.uniform(0, 3, n))
    y = 1.2 + 0.05 * rng.normal(size=n) - np.where(np.arange(n) >= at, 0.15, 0.0)
    about = SimpleNamespace(indicator="friction at usual rate")
    return asked_steps(t, y, np.zeros(n, dtype=np.int64), about)


def test_a_long_history_is_parted_at_the_step():
    for seed in range(4):
        (step,) = long_drop([seed, 14], 600)  # three sessions a median: where one begins
        assert step.at == 600


def test_the_interval_of_a_step_holds_it_in_a_long_history():
    held = []
    for seed in range(30):
        at = 666 + 13 * seed
        held += [step.first < at <= step.last for step in long_drop([seed, 15], at, 2000)]
    assert len(held) >= 25
    assert np.mean(held) >= 0.9


def test_few_or_equal_values_have_no_step():
    t = np.arange(40.0)
    assert unlogged_steps(t[:10], np.r_[np.zeros(5), np.ones(5)]) == ()
    assert unlogged_steps(t, np.ones(40)) == ()


@pytest.mark.parametrize("seed", [9, 22])
def test_a_stretch_that_looks_like_a_step_makes_no_healthy_unit_worse(seed):
    rng = np.random.default_rng([seed, 41])
    sessions, years = int(rng.integers(60, 300)), float(rng.uniform(1.0, 3.0))
    growths = [0.0, 0.0, 0.0, *rng.uniform(0.1, 0.6, 3)]
    noise = float(rng.uniform(0.015, 0.05))
    made = kind("hall", seed, growths=growths, sessions=sessions, years=years, noise=noise)
    found = judge(pl.concat([m.rows for m in made]), no_notes(), {})
    healthy = [t for t in found if t.serial in ("TU-00", "TU-01", "TU-02")]
    assert any(t.detail.get("questions") for t in healthy)  # asked about all the same
    assert {t.result for t in healthy} == {"steady"}
    assert "rising" in {t.result for t in found}
