"""An arm under water: drag is learned where it is, never in air, and drawn where it was learned."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from replay.archive import open_archive
from replay.arm import load_arm, loads
from replay.arm.fluid_drag import FACE, fluid_drag
from replay.checks import learn
from replay.models import condense, fit, residuals_of
from replay.models.facts import facts_of
from replay.models.joint_residuals import unknown_unit
from replay.models.loading.loads import Loads
from replay.models.model import Model
from replay.models.plain import from_plain, to_plain
from replay.models.units.all_units import lonely_drags
from replay.models.units.current import DRAGS
from replay.signals.joints import joint_tables
from tests.models.planar import logged

HZ = 10.0
NAMES = ("W1", "W2", "W3")
ARM = """
[arm]
name = "wader"
[arm.payload]
centre_m = [0, 0, 0.2]
[arm.tip]
xyz_m = [0, 0, 0.3]
""" + "".join(
    f"""
[[joints]]
name = "{name}"
[joints.geometry]
xyz_m = [0, 0, 0.8]
axis = {axis}
[joints.link]
mass_kg = 15.0
centre_m = [0, 0, 0.4]
"""
    for name, axis in zip(NAMES, ("[0, 0, 1]", "[1, 0, 0]", "[1, 0, 0]"), strict=True)
)
NM_A = 20.0
LINKS_N, PAYLOAD_N = 4.0, 12.0


def add_session(archive, seed, *, water=1.0, minutes=5.0):
    """Add some minutes of an arm that goes to and fro, often fast, half of them with 30 kg."""
    rng = np.random.default_rng([seed, 3])
    t = np.arange(int(60 * minutes * HZ)) / HZ
    angle = np.zeros((t.size, 3))
    for j in range(3):
        goal = np.repeat(rng.uniform(-70, 70, 200), 2)
        at = np.concatenate([[0.0], np.cumsum(rng.uniform(1.5, 6.0, goal.size - 1))])
        angle[:, j] = np.interp(t, at, goal)
    for _ in range(3):  # nothing starts at once
        angle = np.apply_along_axis(np.convolve, 0, np.pad(angle, ((4, 4), (0, 0)), mode="edge"),
                                    np.ones(9) / 9, "valid")  # fmt: skip
    rate = np.gradient(angle, 1 / HZ, axis=0)
    accel = np.gradient(rate, 1 / HZ, axis=0)
    arm, kg = load_arm(ARM), 30.0 * (seed % 2)
    against = fluid_drag(arm, angle, rate)
    torque = loads(arm, angle, rate, accel, payload_kg=kg).torque_nm
    torque = torque + water * LINKS_N * against.links_nm
    torque = torque + water * PAYLOAD_N * kg**FACE * against.payload_nm
    amps = torque / NM_A + 0.8 * np.sign(np.round(rate, 2)) + 0.01 * rate
    amps = amps + rng.normal(0, 0.05, amps.shape)
    start = datetime(2031, 5, 1, tzinfo=UTC) + timedelta(days=seed)
    shown = angle + rng.normal(0, 0.002, angle.shape)
    return logged(
        archive, f"w{seed:03d}", start, t, shown, amps,
        units={n: f"U-{n}" for n in NAMES},
        payload_kg=np.full(t.size, kg),
        arm="wader",
        arm_toml=ARM,
        base_end="A",
    )  # fmt: skip


@pytest.fixture(scope="module")
def water(tmp_path_factory):
    archive = open_archive(tmp_path_factory.mktemp("water"), create=True)
    return archive, learn(archive, [add_session(archive, seed) for seed in range(6)])


def test_drag_is_learned_from_the_logs_with_its_size(water):
    archive, baseline = water
    units = baseline.model.units
    for joint in NAMES:
        unit = units[f"U-{joint}"]
        if joint == "W3":
            assert "payload drag" in unit.names
        if "payload drag" in unit.names:
            found = unit.coefficient("payload drag") / unit.coefficient("torque")
            assert found == pytest.approx(PAYLOAD_N, rel=0.15)
    assert any("fluid" in f.what and f.unit == "N" for f in facts_of(units["U-W3"]))
    loaded = add_session(archive, 101)
    found = residuals_of(
        baseline.model, condense(archive, loaded, filter_s=baseline.model.filter_s)
    )
    for joint in NAMES:
        plant = found.joints[joint].plant
        assert np.sqrt(np.mean(plant.value[plant.ok] ** 2)) < 0.25


def test_in_air_no_drag_is_learned_and_all_is_as_without_a_column_for_it(tmp_path, monkeypatch):
    archive = open_archive(tmp_path, create=True)
    names = [add_session(archive, seed, water=0.0) for seed in range(6)]
    made = fit(archive, names)
    assert not any(unit.wades for unit in made.model.units.values())
    assert made.model.arm_toml == ""
    monkeypatch.setattr(Loads, "drags", lambda *_: None)
    plain = fit(archive, names)
    for serial, unit in made.model.units.items():
        assert unit.names == plain.model.units[serial].names
        assert unit.coef == pytest.approx(plain.model.units[serial].coef, rel=1e-9, abs=1e-12)


def test_what_pushes_with_the_motion_is_no_drag(tmp_path):
    archive = open_archive(tmp_path, create=True)
    made = fit(archive, [add_session(archive, seed, water=-0.5) for seed in range(6)])
    for unit in made.model.units.values():
        for name in DRAGS:
            assert unit.coefficient(name) >= 0


def test_a_page_expects_drag_as_the_test_does(water):
    archive, baseline = water
    loaded = add_session(archive, 103)
    tables = joint_tables(archive, loaded)
    assert baseline.follows_posture("U-W3")
    told = baseline.expected(tables["W3"], "U-W3", tables)
    moving = (tables["W3"]["rate_deg_s"].abs() > 15).to_numpy()
    off = (tables["W3"]["current_a"] - told["expected_a"]).to_numpy()[moving]
    assert np.nanmedian(np.abs(off)) < 0.2
    assert told["expected_a"].is_not_null().to_numpy()[moving].all()
    # where the other joints' motion is not given, nothing is said of motion
    alone = baseline.expected(tables["W3"], "U-W3")
    assert alone["expected_a"].is_null().to_numpy()[moving].all()


def test_the_arm_file_that_drag_was_learned_with_is_kept(water):
    _, baseline = water
    assert from_plain(Model, to_plain(baseline.model)).arm_toml == ARM


@pytest.mark.parametrize(("wading", "lonely"), [(0, ()), (1, ("link drag",)), (4, ()), (7, ())])
def test_one_fluid_is_about_all_joints(wading, lonely):
    laws = [("torque", "link drag")] * wading + [("torque",)] * (7 - wading)
    units = [replace(unknown_unit(f"U-{k}"), names=names) for k, names in enumerate(laws)]
    assert lonely_drags(units) == lonely
