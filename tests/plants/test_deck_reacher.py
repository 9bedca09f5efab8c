"""The deck arm: its mechanics by other formulas, twin runs with each fault, its logs taken in."""

from __future__ import annotations

import json
import tomllib
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from scipy.spatial.transform import Rotation

from replay.archive import open_archive
from replay.cleaning import ingest
from replay.logs import load_map
from tests.plants import deck_reacher as plant
from tests.plants import deck_reacher_body as body
from tests.plants import deck_reacher_drive as drive
from tests.plants import deck_reacher_recorder as recorder
from tests.plants.deck_reacher_crew import Fault, Mission
from tests.plants.deck_reacher_faults import CAUSES

HZ, ELBOW, TICKS = 40, 3, 560
PLATE_BODY = body.make_body(np.ones(7), np.zeros(7))


def weight_energy(arm: dict, q: np.ndarray, load: float) -> float:
    """Return the height energy of an arm file's masses, by its own geometry."""
    turned, here, out = Rotation.identity(), np.zeros(3), 0.0
    for angle, joint in zip(q, arm["joints"], strict=True):
        geometry, link = joint["geometry"], joint["link"]
        here = here + turned.apply(geometry["xyz_m"])
        turned = turned * Rotation.from_rotvec(angle * np.array(geometry["axis"]))
        out += link["mass_kg"] * (here + turned.apply(link["centre_m"]))[2]
    tip = np.array(arm["arm"]["tip"]["xyz_m"]) + arm["arm"]["payload"]["centre_m"]
    return body.G * (out + load * (here + turned.apply(tip))[2])


def test_weight_asks_for_the_slope_of_height_energy_of_the_arm_file(tmp_path: Path) -> None:
    recorder.write_arm(tmp_path)
    arm = tomllib.loads((tmp_path / "arm.toml").read_text())
    q = np.random.default_rng(3).uniform(-1, 1, 7)
    needed = body.needed_torques(
        body.pose_of(q[None], PLATE_BODY, np.array([20.0])), np.zeros((1, 7)), body.still(1)
    )[0]
    step = 1e-5 * np.eye(7)
    slope = [weight_energy(arm, q + s, 20.0) - weight_energy(arm, q - s, 20.0) for s in step]
    assert np.abs(needed).max() > 500
    assert needed == pytest.approx(np.array(slope) / 2e-5, abs=0.1)


def test_swing_takes_the_power_by_which_motion_energy_grows() -> None:
    g = np.random.default_rng(5)
    q, v, load = g.uniform(-1, 1, (1, 7)), g.uniform(-0.5, 0.5, (1, 7)), np.array([30.0])

    def energy(t: float) -> float:
        matrix = body.mass_matrix(body.pose_of(q + t * v, PLATE_BODY, load))
        return float(0.5 * v[0] @ matrix[0] @ v[0])

    none = np.zeros((1, 3))
    weightless = body.Deck(none, none, none, none, none)
    needed = body.needed_torques(body.pose_of(q, PLATE_BODY, load), v, weightless)
    assert abs(float(needed[0] @ v[0])) > 1.0
    assert float(needed[0] @ v[0]) == pytest.approx((energy(1e-5) - energy(-1e-5)) / 2e-5, rel=1e-4)


def test_a_rolling_deck_throws_the_links_as_places_at_sea_say() -> None:
    sea = body.make_weather(np.random.default_rng(2), 10, HZ, 1.5)
    q, load = np.random.default_rng(6).uniform(-1, 1, (1, 7)), np.array([0.0])
    pose = body.pose_of(q, PLATE_BODY, load)
    points = (pose.at + pose.out)[0] + body.RIGHTING_M

    def at_sea(t: float) -> np.ndarray:
        angle = sea.omega * t + sea.phase
        roll, pitch, rise = (sea.size * np.sin(angle)).sum(axis=1)
        facing = Rotation.from_euler("yx", [pitch + sea.list_rad[1], roll + sea.list_rad[0]])
        return facing.apply(points) + np.array([0.0, 0.0, rise]), facing

    t, h = 3.0, 1e-3
    (before, _), (now, facing), (after, _) = at_sea(t - h), at_sea(t), at_sea(t + h)
    felt = facing.inv().apply((before - 2 * now + after) / h**2 + [0, 0, body.G])
    down, turn, growth, lift = (x for x in sea.at(np.array([t])))
    deck = body.Deck(down, turn, growth, lift, np.zeros((1, 3)))
    level = body.needed_torques(pose, np.zeros((1, 7)), body.still(1))[0]
    rocked = body.needed_torques(pose, np.zeros((1, 7)), deck)[0]
    spin = pose.turned[0] @ growth[0]
    force = pose.mass[0][:, None] * felt
    for k in range(7):
        arm = (pose.at + pose.out)[0, k:] - pose.at[0, k]
        moment = (np.cross(arm, force[k:]) + spin[k:]).sum(axis=0)
        assert rocked[k] == pytest.approx(float(pose.axis[0, k] @ moment), abs=3.0)
    assert np.abs(rocked - level).max() > 20


def hand_made(fault: Fault | None = None) -> Mission:
    """Return 14 s: free the elbow, raise it at 1 deg/s with 14 kg, let it stand, set the brake."""
    t = np.arange(TICKS) / HZ
    cmd, brake = np.zeros((TICKS, 7)), np.ones((TICKS, 7), bool)
    cmd[:, ELBOW] = -np.deg2rad(np.clip(2 * np.minimum(t - 1.5, 9 - t), 0, 1))
    brake[(t >= 1) & (t < 11.5), ELBOW] = False
    pose = np.deg2rad([20.0, 40.0, 10.0, 60.0, 15.0, 20.0, 0.0])
    load = np.full(TICKS, 14.0)
    return Mission(7, datetime(2043, 1, 1), cmd, brake, load, load, pose, 14.0, 0.6, fault=fault)


AMOUNTS = {
    "bearing-step": (0.7, 160, TICKS), "grease-loss": (0.9, 160, TICKS),
    "brake-rub": (0.9, 40, 462), "brake-creep": (0.4, 500, 530),
    "slow-brake": (0.6, 40, 125), "slow-brake-unsaid": (1.0, 40, 140),
    "sticking": (0.2, 160, 360), "jam": (1.0, 200, 240),
    "shunt-offset": (0.12, 160, 360), "shunt-gain": (0.15, 160, 360),
    "resolver-jump": (0.4, 200, 600), "resolver-freeze": (1.2, 200, 248),
    "undeclared-load": (6.0, 160, TICKS),
}  # fmt: skip


@cache
def twins() -> tuple[drive.Unit, dict[str, Mission], dict, dict]:
    unit = drive.make_unit(1)
    faults = {c: Fault(c, "middling", ELBOW, a, b, x) for c, (x, a, b) in AMOUNTS.items()}
    missions = {"": hand_made(), **{c: hand_made(f) for c, f in faults.items()}}
    true = dict(zip(missions, drive.simulate(list(missions.values()), unit), strict=True))
    said = {c: recorder.readings(m, true[c], unit) for c, m in missions.items()}
    return unit, missions, true, said


def test_every_fault_begins_where_it_should_and_not_before() -> None:
    unit, _, true, said = twins()
    assert set(AMOUNTS) == set(CAUSES)
    sound = said[""]
    for cause, (_, start, _) in AMOUNTS.items():
        one, word = said[cause], true[cause]["word"]
        apart = np.abs(one["angle"] - sound["angle"]) > 1e-9
        apart |= np.abs(one["amps"] - sound["amps"]) > 1e-9
        apart |= word != true[""]["word"]
        assert not apart[:start].any(), cause
        assert apart[start : start + 120, ELBOW].any(), cause
    elbow = {c: (x["angle"][:, ELBOW], x["amps"][:, ELBOW]) for c, x in said.items()}
    angle, amps = elbow[""]
    assert angle[400] - angle[0] == pytest.approx(-7.0, abs=0.5)
    # friction: 70 % of what this joint rubs without load
    rub = unit.coulomb[ELBOW] + unit.thick[ELBOW] * (1 / 7) ** 0.6
    more = (elbow["bearing-step"][1] - amps)[220:340].mean() * drive.GEAR[ELBOW] * unit.kt[ELBOW]
    assert -more == pytest.approx(0.7 * rub, rel=0.15)
    assert np.ptp(elbow["jam"][0][205:238]) < 0.1 < np.ptp(angle[205:238])
    assert np.ptp(elbow["brake-creep"][0][490:]) == pytest.approx(0.4, rel=0.1)
    assert np.ptp(angle[490:]) < 0.02
    jump = (elbow["resolver-jump"][0] - angle)[200:]
    assert jump == pytest.approx(0.4, abs=0.01)
    assert np.ptp(elbow["resolver-freeze"][0][200:248]) == 0
    # late: the word says so, or does not, and nothing moves until then
    words = {c: int(np.argmin(x["word"][:, ELBOW])) for c, x in true.items()}
    assert words["slow-brake"] - words[""] == pytest.approx(0.6 * HZ, abs=1)
    assert words["slow-brake-unsaid"] == words[""]
    waited = elbow["slow-brake-unsaid"][0]
    assert abs(angle[83] - angle[0]) > 0.15 > 20 * abs(waited[83] - angle[0])
    assert abs(waited[110] - angle[0]) > 0.5
    # sticking: the link stands and runs on
    slow = np.abs(np.diff(elbow["sticking"][0][180:340])) < 0.006
    assert slow.mean() > 0.2 > (np.abs(np.diff(angle[180:340])) < 0.006).mean()


def test_current_carries_the_weight_and_is_nought_behind_a_set_brake() -> None:
    unit, _, true, said = twins()
    amps, held = said[""]["amps"], true[""]["word"]
    assert np.abs(amps[held].mean()) < 0.1
    raised = said[""]["amps"][150:340, ELBOW].mean() * drive.GEAR[ELBOW] * unit.kt[ELBOW]
    q, none = true[""]["q"][245:246], np.zeros((1, 7))
    pose = body.pose_of(q, PLATE_BODY, np.array([14.0]))
    weight = body.needed_torques(pose, none, body.still(1))[0, ELBOW]
    rub = unit.coulomb[ELBOW] + unit.thick[ELBOW] * (1 / 7) ** 0.6
    assert abs(weight) > 500
    assert raised == pytest.approx(1.1 * weight - rub, rel=0.08)


def test_logs_are_taken_in_and_tell_what_the_truth_says(tmp_path: Path) -> None:
    unit, missions, true, _ = twins()
    recorder.write_map(tmp_path / "map.toml")
    recorder.write_arm(tmp_path)
    m = missions["resolver-jump"]
    (tmp_path / "logs").mkdir()
    recorder.write_log(tmp_path / "logs" / "one.csv", m, true["resolver-jump"], unit)
    log = pl.read_csv(tmp_path / "logs" / "one.csv")
    assert TICKS - 12 < len(log) <= TICKS
    assert log["ELBOW_BRK"].unique().sort().to_list() == ["OPEN", "SHUT"]
    entry = json.loads(json.dumps(plant.truth_of(m, "one.csv")))["faults"][0]
    assert (entry["joint"], entry["kind"], entry["size"]) == ("ELBOW", "angle-sensor", "middling")
    steps = log.select("UTC_MS", step=pl.col("ELBOW_ANG").diff().abs()).drop_nulls()
    at = steps.filter(pl.col("step") == pl.col("step").max())["UTC_MS"][0]
    start = datetime.fromisoformat(entry["start"])
    assert abs(datetime.fromtimestamp(at / 1e3, start.tzinfo) - start) < timedelta(seconds=0.06)
    archive = open_archive(tmp_path / "archive", create=True)
    chart, arm = load_map(tmp_path / "map.toml"), tmp_path / "arm.toml"
    ingest(archive, [tmp_path / "logs"], log_map=chart, arm=arm)
    assert archive.sessions().height == 1


def test_a_campaign_places_every_fault() -> None:
    missions = plant.campaign(3, 1, 1, 13, share=0.6)
    assert sorted(m.fault.cause for m in missions if m.fault) == sorted(CAUSES)
    for m in missions:
        assert not m.cmd[m.brake].any()
        assert len(plant.truth_of(m, "x.csv")["faults"]) == (m.role == "fault")
        if m.fault:
            assert 0 < m.fault.start < m.fault.end <= m.ticks
