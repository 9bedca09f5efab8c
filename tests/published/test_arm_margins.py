"""Margin rules by the mechanism-engineering standards' tables.

Factors: ECSS-E-ST-33-01C (6 March 2009), 4.7.5.3, Table 4-2. Static margin of 100 % and
dynamic of 25 %: AIAA S-114-2005, as a secondary source gives it.
"""

from __future__ import annotations

import pytest

from replay.arm.margins import load_rule, margin, rule_names
from replay.errors import UsageError

TABLE_4_2 = {
    "I": (1.1, 1.1),
    "S": (1.2, 1.2),
    "HM": (1.5, 1.2),
    "FR": (3.0, 1.5),
    "HY": (3.0, 1.5),
    "HA": (3.0, 1.5),
    "HD": (3.0, 3.0),
}


def test_factors_are_those_of_table_4_2():
    rule = load_rule("ecss-e-st-33-01c-2009")
    assert (rule.title, rule.date) == ("ECSS-E-ST-33-01C", "2009-03-06")
    found = {r.symbol: (r.calculated, r.measured) for r in rule.resistances.values()}
    assert found == TABLE_4_2
    assert (rule.resistive_factor, rule.acceleration_factor, rule.output_factor) == (2.0, 1.25, 1.0)


def test_minimum_torque_calculated_and_measured():
    # worked by hand: 2 (1.1 .5 + 1.5 .2 + 3 (2 + .3 + .4)) + 1.25 = 19.15; measured 10.93
    rule = load_rule()
    parts = {
        "inertia": 0.5,
        "spring": 0.0,
        "motor_losses": 0.2,
        "friction": 2.0,
        "hysteresis": 0.3,
        "harness": 0.4,
        "adhesion": 0.0,
    }
    assert rule.needed_nm(parts, acceleration_nm=1.0) == pytest.approx(19.15)
    assert rule.needed_nm(parts, acceleration_nm=1.0, measured=list(parts)) == pytest.approx(10.93)
    # what is to be delivered and what accelerates stand outside the factor of 2
    assert rule.needed_nm({}, acceleration_nm=4.0, output_nm=3.0) == pytest.approx(8.0)


def test_twice_the_static_torque_just_passes_at_a_hundred_per_cent():
    rule = load_rule("aiaa-s-114-2005")
    assert margin(8.0, 4.0) == pytest.approx(1.0)
    assert margin(8.0, rule.needed_nm({"friction": 4.0})) == pytest.approx(0.0)
    assert margin(1.0, 0.0) == float("inf")


def test_a_rule_of_ones_own_can_be_put_in_its_place(tmp_path):
    source = load_rule.__globals__["resources"].files("replay.arm") / "rules"
    text = (source / "ecss-e-st-33-01c-2009.toml").read_text().replace("= 2.0 ", "= 4.0 ")
    path = tmp_path / "house-2032.toml"
    path.write_text(text)
    assert load_rule(path).needed_nm({"spring": 1.0}) == pytest.approx(4.8)
    path.write_text(text.replace("acceleration_factor", "acceleration"))
    with pytest.raises(UsageError, match="acceleration_factor"):
        load_rule(path)
    path.write_text(text.replace("calculated = 1.1", "calculated = -1.1"))
    with pytest.raises(UsageError, match="not a factor"):
        load_rule(path)


def test_unknown_names_are_refused():
    with pytest.raises(UsageError, match="ecss-e-st-33-01c-2009"):
        load_rule("no-such-rule")
    with pytest.raises(UsageError, match="friktion"):
        load_rule().needed_nm({"friktion": 1.0})
    assert len(rule_names()) >= 2
