"""Years of sessions: swaps, walks, missing months, and wear that follows the unit."""

from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest

from replay.demo import Wear, heron
from replay.demo.histories import (
    History,
    Swap,
    plan_history,
    simulate_history,
    units_at,
    wear_truth,
)

FIRST = datetime(2031, 1, 1, tzinfo=UTC)
SWAP = Swap(datetime(2032, 1, 1, tzinfo=UTC), "J4", "TU-110")


def test_plans_are_ordered_and_skip_the_missing_months():
    history = History(sessions=80, missing_months=((2031, 5), (2031, 6)))
    plans = plan_history(history, 3)
    starts = [p.start for p in plans]
    assert len(plans) == 80
    assert starts == sorted(starts)
    assert len(set(starts)) == 80
    months = {(s.year, s.month) for s in starts}
    assert not months & {(2031, 5), (2031, 6)}
    assert (2031, 4) in months
    assert (2032, 12) in months


def test_a_walk_turns_the_base_for_the_sessions_after_it():
    plans = plan_history(History(sessions=60, walks=0.2), 3)
    assert {p.base_end for p in plans} == {"A", "B"}
    base = "A"
    for plan in plans:
        assert plan.base_end == base
        if plan.style == "walk":
            base = "B" if base == "A" else "A"


def test_a_swapped_unit_brings_its_own_friction():
    history = History(sessions=4, swaps=(SWAP,))
    assert units_at(history, datetime(2031, 6, 1, tzinfo=UTC))[3] == "TU-104"
    assert units_at(history, datetime(2032, 6, 1, tzinfo=UTC))[3] == "TU-110"
    plans = plan_history(history, 1)
    serials = [p.units[3] for p in plans]
    assert serials[0] == "TU-104"
    assert serials[-1] == "TU-110"


def test_laws_add_what_they_say():
    since, until = FIRST, datetime(2033, 1, 1, tzinfo=UTC)
    middle = datetime(2032, 1, 1, tzinfo=UTC)
    linear = Wear("TU-101", "linear", 0.2, since=since, until=until)
    assert linear.added(until) == pytest.approx(0.4, rel=2e-3)
    assert linear.added(datetime(2030, 1, 1, tzinfo=UTC)) == 0.0
    faster = Wear("TU-101", "accelerating", 0.2, since=since, until=until)
    assert faster.added(until) == pytest.approx(linear.added(until), rel=2e-3)
    assert faster.added(middle) == pytest.approx(0.25 * faster.added(until), rel=5e-3)
    oiled = Wear("TU-101", "relubricated", 0.2, since=since, until=until, relubricated_at=middle)
    assert oiled.added(middle) == 0.0
    assert oiled.added(datetime(2031, 12, 31, tzinfo=UTC)) == pytest.approx(0.2, rel=5e-3)
    assert Wear("TU-101", "none", 0.2, since=since).added(until) == 0.0


def steady_current(frame: pl.DataFrame, joint: str) -> float:
    """Median of |current| at constant commanded rate: friction, near enough."""
    asked = pl.col(f"{joint}.rate_cmd_deg_s")
    cruising = frame.filter((asked.abs() > 0.05) & (asked.diff().abs() < 1e-3))
    return float(cruising[f"{joint}.current_a"].abs().median())


def test_wear_shows_in_the_worn_unit_and_in_no_other():
    """Three samples a season apart would mix cold with wear, so there is no season here."""
    wear = (Wear("TU-106", "linear", 0.3),)
    common = {"sessions": 8, "years": 2.0, "minutes": 6.0, "walks": 0.0, "season": False}
    plain = History(**common, styles=("joint test",))
    worn = History(**common, styles=("joint test",), wear=wear)
    added = {j: [] for j in heron.NAMES}
    runs = zip(simulate_history(plain, 5), simulate_history(worn, 5), strict=True)
    for (_, new, _), (_, old, _) in runs:
        for joint in heron.NAMES:
            added[joint].append(steady_current(old, joint) - steady_current(new, joint))
    expected = [p.wear[0].added(p.start) for p in plan_history(worn, 5)]
    assert np.allclose(added["J6"], expected, atol=0.04)
    for joint in set(heron.NAMES) - {"J6"}:
        assert np.allclose(added[joint], 0.0, atol=0.011), joint


def test_truth_lists_every_unit_with_its_mean_slope():
    history = History(sessions=40, swaps=(SWAP,), wear=(Wear("TU-104", "accelerating", 0.2),))
    entries = {e["serial"]: e for e in wear_truth(plan_history(history, 1))}
    assert set(entries) == {*heron.FIRST_SERIALS, "TU-110"}
    assert entries["TU-101"]["per_year"] == 0.0
    assert entries["TU-110"]["joint"] == "J4"
    # Taken out after the first, slower, year.
    assert 0.05 < entries["TU-104"]["per_year"] < 0.15
    assert entries["TU-104"]["points"][-1][1] == pytest.approx(0.1, abs=0.02)


def test_the_same_history_twice_is_the_same():
    history = History(sessions=3, fault_rate=1.0)
    one = list(simulate_history(history, 9))
    two = list(simulate_history(history, 9))
    for (_, a, truth), (_, b, again) in zip(one, two, strict=True):
        assert a.equals(b, null_equal=True)
        assert truth == again
