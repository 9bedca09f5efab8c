"""Currents that follow the arm's posture, learned without an arm file.

The bench here: three joints in a plane, pitch axes, gravity; its moments are
written down from the bodies' weights, not from any sum of sines that the
model under test might use.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from replay.archive import open_archive
from replay.checks import learn
from replay.models import posture
from replay.models.bins import MOVING
from replay.models.expected import ExpectedCurrent
from replay.models.held_out import HeldOut
from replay.models.readings import read_session
from replay.models.surprises import natures
from replay.models.symptoms import Nominal
from replay.records import Session
from replay.signals import joint_tables

JOINTS = ("R1", "R2", "R3")
LENGTH_M = (0.6, 0.5, 0.3)
MASS_KG = (8.0, 5.0, 2.0)
NM_A = 12.0
HZ = 10.0


def moments(angles, gravity, payload_kg):
    """Moment of weight about each axis, Nm: lever arm times weight, body by body."""
    above = np.cumsum(angles, axis=1)
    reach = np.zeros((angles.shape[0], 4))  # horizontal place of each axis and of the tip
    for k in range(3):
        reach[:, k + 1] = reach[:, k] + LENGTH_M[k] * np.cos(above[:, k])
    out = np.zeros((angles.shape[0], 3))
    for axis in range(3):
        for body in range(axis, 3):
            centre = (reach[:, body] + reach[:, body + 1]) / 2
            out[:, axis] += gravity * MASS_KG[body] * (centre - reach[:, axis])
        out[:, axis] += gravity * payload_kg * (reach[:, 3] - reach[:, axis])
    return out


def session(archive, seed, *, gravity=9.81, payload_kg=0.0, jump_deg=0.0, base=None):
    """Add 4 min of a planar arm that wanders; the angle of R1 may jump half way.

    On base B the arm stands on its last body, and R3 carries the other two.
    """
    rng = np.random.default_rng(seed)
    t = np.arange(int(240 * HZ)) / HZ
    degrees = np.zeros((t.size, 3))
    for j in range(3):
        knots = np.arange(0, 260, 8.0)
        goal = np.repeat(rng.uniform(-50, 50, knots.size // 2 + 1), 2)[: knots.size]
        degrees[:, j] = np.interp(t, knots, goal)
    rate = np.gradient(degrees, 1 / HZ, axis=0)
    moving = np.abs(rate) > 0.05
    friction = np.where(moving, np.sign(rate) * (0.9 + 0.02 * np.abs(rate)), 0.0)
    turned = -1 if base == "B" else 1
    amps = (
        friction
        + moments(np.deg2rad(degrees[:, ::turned]), gravity, payload_kg)[:, ::turned] / NM_A
    )
    amps += rng.normal(0, 0.05, amps.shape)
    shown = degrees + rng.normal(0, 0.002, degrees.shape)
    shown[t >= 120.0, 0] += jump_deg
    start = datetime(2031, 5, 1, tzinfo=UTC) + timedelta(days=seed)
    at = np.datetime64(start.replace(tzinfo=None), "ns") + np.round(t * 1e9).astype(
        "timedelta64[ns]"
    )
    columns = {"time": pl.Series(at).dt.replace_time_zone("UTC")}
    for j, joint in enumerate(JOINTS):
        columns[f"{joint}.angle_deg"] = pl.Series(shown[:, j])
        columns[f"{joint}.current_a"] = pl.Series(amps[:, j])
    frame = pl.DataFrame(columns)
    name = f"s{seed:03d}"
    record = Session(
        session=name,
        source=f"{name}.csv",
        arm="planar",
        rows=frame.height,
        start=start,
        end=start + timedelta(seconds=float(t[-1])),
        joints=JOINTS,
        units=dict(zip(JOINTS, ("U-1", "U-2", "U-3"), strict=True)),
        channels={"main": tuple(c for c in frame.columns if c != "time")},
        rate_hz=HZ,
        base_end=base,
    )
    archive.add_session(record, {"main": frame})
    return name


def held_out_share(archive, baseline, name, joint, unit):
    """Share of the moving current's variance that the expectation explains, and seen."""
    tables = joint_tables(archive, name)
    table = tables[joint]
    band = baseline.expected(table, unit, tables)
    moving = (table["motion"] == "moving").fill_null(False).to_numpy()
    rows = moving & band["seen"].to_numpy()
    amps = table["current_a"].to_numpy()[rows]
    rest = amps - band["expected_a"].to_numpy()[rows]
    return 1 - np.var(rest) / np.var(amps), rows.sum() / moving.sum()


@pytest.fixture(scope="module")
def ground(tmp_path_factory):
    archive = open_archive(tmp_path_factory.mktemp("ground"), create=True)
    names = [session(archive, seed) for seed in range(8)]
    return archive, learn(archive, names)


@pytest.mark.parametrize(("joint", "unit"), list(zip(JOINTS, ("U-1", "U-2", "U-3"), strict=True)))
def test_gravity_is_explained_on_a_session_left_out(ground, joint, unit):
    archive, baseline = ground
    name = "s100" if "s100" in archive.sessions()["session"].to_list() else session(archive, 100)
    share, seen = held_out_share(archive, baseline, name, joint, unit)
    assert share > 0.95
    assert seen > 0.9
    assert baseline.follows_posture(unit)


def test_without_the_other_joints_nothing_is_guessed(ground):
    archive, baseline = ground
    table = joint_tables(archive, "s000")["R1"]
    band = baseline.expected(table, "U-1")
    assert not band["seen"].any()
    assert band["expected_a"].null_count() == band.height


def test_an_arm_that_feels_no_gravity_gets_no_posture(tmp_path):
    archive = open_archive(tmp_path / "a", create=True)
    names = [session(archive, seed, gravity=0.0) for seed in range(6)]
    baseline = learn(archive, names)
    for unit in ("U-1", "U-2", "U-3"):
        assert not baseline.follows_posture(unit)


def test_a_payload_that_no_log_names_is_a_factor_of_the_session(tmp_path):
    archive = open_archive(tmp_path / "a", create=True)
    names = [session(archive, seed, payload_kg=4.0 * (seed % 2)) for seed in range(10)]
    baseline = learn(archive, names)
    assert baseline.units["U-1"].model.populations_[MOVING].gain_sd > 0.0
    for seed, payload_kg in ((50, 0.0), (51, 4.0)):
        name = session(archive, seed, payload_kg=payload_kg)
        share, _ = held_out_share(archive, baseline, name, "R1", "U-1")
        assert share > 0.9


def test_each_base_end_has_its_own_gravity(tmp_path):
    archive = open_archive(tmp_path / "a", create=True)
    names = [session(archive, seed, base="AB"[seed % 2]) for seed in range(12)]
    both = learn(archive, names)
    one = learn(archive, names[::2])
    for base in "AB":
        name = session(archive, 60 + ord(base), base=base)
        for joint, unit in (("R1", "U-1"), ("R3", "U-3")):
            share, seen = held_out_share(archive, both, name, joint, unit)
            assert share > 0.95
            assert seen > 0.9
            _, seen = held_out_share(archive, one, name, joint, unit)
            assert seen > 0.9 if base == "A" else seen == 0.0


def test_square_axes_need_one_product_a_link():
    """Weight beyond a roll and a pitch joint: a product, as rotation matrices have it."""
    rng = np.random.default_rng(8)
    q = rng.uniform(-1.5, 1.5, (1600, 5))
    weight = 3.0 * np.sin(q[:, 1]) + 2.0 * np.cos(q[:, 1]) * np.cos(q[:, 2]) * np.sin(q[:, 3])
    current = 1.0 + weight + rng.normal(0, 0.05, 1600)
    terms = posture.choose(q, np.ones((1600, 1)), current, np.repeat(np.arange(8), 200))
    assert set(terms[:2]) == {
        (0, posture.SINE, 0, 0, 0),
        (0, posture.COSINE, posture.COSINE, posture.SINE, 0),
    }
    assert len(terms) <= 3


def test_a_jump_of_one_angle_leaves_the_posture_of_the_others(tmp_path):
    archive = open_archive(tmp_path / "a", create=True)
    name = session(archive, 1, jump_deg=25.0)
    for reading in read_session(archive, archive.session(name)):
        bins = reading.bins
        before = bins.posture[np.searchsorted(bins.start_s, 119.0), 0]
        after = bins.posture[np.searchsorted(bins.start_s, 121.0), 0]
        assert abs(np.rad2deg(after - before)) < 15.0  # 2 s at 6 deg/s or so


def test_the_plane_of_a_ground_arm_has_its_band(ground):
    from dashboards.queries.session.plane import plane
    from dashboards.queries.session.sessions import outline

    archive, baseline = ground
    groups, said = plane(archive, outline(archive, "s001"), baseline, "R1", 20.0, 200.0)
    assert said == {"band": True}
    expected, _ = groups[1].series["expected_a"]
    assert np.isfinite(expected).mean() > 0.5


def test_wear_measures_the_spread_beside_the_posture(ground):
    from replay.wear import indicators

    archive, _ = ground
    table = indicators(archive).filter(indicator="residual spread", joint="R1")
    assert table.height >= 8
    assert table["value"].median() < 0.09  # the log's noise is 0.05 A, gravity swings by 2 A


def test_a_unit_that_is_rougher_than_the_others_is_judged_by_its_own_kind():
    """Gravity with payloads that no log names: the joint's own sessions set its scale."""
    rng = np.random.default_rng(4)
    held = {}
    for unit, size in (("U-1", 1.0), ("U-2", 1.0), ("U-3", 3.0)):
        blocks = np.abs(rng.normal(3.0, 0.2, 40)) * size
        blocks[:4] *= 6.0  # faults hidden in training, fewer than a fourth
        held[unit] = HeldOut([], [], Nominal(), (), ExpectedCurrent(), [])
        held[unit].maxima = {"load 16s": blocks, "slip": blocks}
        held[unit].nominal.spreads = {"load 16s": 0.5}
    nature = natures(held)
    assert nature["U-1"] == nature["U-2"] == {}
    assert set(nature["U-3"]) == {"load 16s"}
    assert nature["U-3"]["load 16s"] == pytest.approx(3.0, rel=0.1)
    held["U-3"].widen(nature["U-3"])
    assert held["U-3"].nominal.spreads["load 16s"] == pytest.approx(1.5, rel=0.1)
    assert np.median(held["U-3"].maxima["load 16s"]) == pytest.approx(3.0, rel=0.1)
