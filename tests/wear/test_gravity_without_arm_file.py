"""Gravity that no arm file tells is no friction: withheld with its reason, never a trend."""

import numpy as np
import pytest
from conftest import add
from gravity_arm import COULOMB_A, JOINTS, VISCOUS, year

from replay.archive import open_archive
from replay.cli.wear.mechanics import session_mechanics
from replay.wear import fleet, indicators, trends
from replay.wear.units.not_measured import not_measured_of
from tests.built_once import built_once

UNDER_GRAVITY = ("J2", "J3", "J4", "J5", "J6")


def fill_healthy(root):
    archive = open_archive(root, create=True)
    units = {joint: f"U-{joint}" for joint in JOINTS}
    for k, (start, frame) in enumerate(year(0, sessions=20, seconds=60.0)):
        add(archive, k, frame, units=units, start=start, arm="Cedar")
    indicators(archive)


@pytest.fixture(scope="module")
def healthy(tmp_path_factory):
    return open_archive(built_once(tmp_path_factory, "gravity", fill_healthy))


def test_no_healthy_unit_is_accused(healthy):
    worse = {r["serial"]: r["attention"] for r in fleet(healthy).iter_rows(named=True)}
    assert set(worse) == {f"U-{joint}" for joint in JOINTS}
    assert not set(worse.values()) & {"worsening", "past limit", "unlike its peers", "changing"}


def test_what_gravity_passes_for_is_withheld_with_its_reason(healthy):
    table = indicators(healthy)
    for joint in UNDER_GRAVITY:
        own = set(table.filter(table["joint"] == joint)["indicator"])
        assert not own & {"coulomb friction", "direction asymmetry", "holding current"}, joint
        reasons = dict(not_measured_of(healthy, f"U-{joint}"))
        assert "no arm file tells that load" in reasons["coulomb friction"]
        assert "travel" not in reasons
        assert "current limit" in reasons["margin left"]


def test_a_joint_without_gravity_keeps_its_friction(healthy):
    found = {t.indicator: t for t in trends(healthy, joint="J1")}
    usual = found["friction at usual rate"].last_value
    assert COULOMB_A[0] < usual < COULOMB_A[0] + 40 * VISCOUS[0]
    assert found["coulomb friction"].last_value == pytest.approx(COULOMB_A[0], rel=0.1)
    assert "coulomb friction" not in dict(not_measured_of(healthy, "U-J1"))


def test_friction_below_nought_is_never_given(healthy):
    table = indicators(healthy)
    friction = table.filter(
        table["indicator"].str.starts_with("coulomb")
        | (table["indicator"] == "friction at usual rate")
    )
    assert friction.height > 20
    assert friction.filter(friction["value"] <= 0).height == 0


def test_mechanics_gives_no_gravity_as_friction(healthy):
    found = session_mechanics(healthy, healthy.sessions()["session"][0])
    terms = {f["joint"]: f["terms"] for f in found["friction"]}
    assert any(t.determined and t.value > 0 for t in terms["J1"])
    for joint in UNDER_GRAVITY:
        assert not any(t.determined for t in terms[joint]), joint
        assert all(np.isnan(t.value) for t in terms[joint]), joint
    assert any("'J2': friction is withheld" in text for text in found["not_computed"])
