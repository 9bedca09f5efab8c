"""The gantry arm: its mechanics by other formulas, twin runs with each fault, its logs taken in."""

from __future__ import annotations

from datetime import datetime
from functools import cache
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from replay.archive import open_archive
from replay.arm import load_arm
from replay.arm.loads import loads
from replay.cleaning import ingest
from replay.logs import load_map
from tests.plants import gantry_pacer as plant
from tests.plants import gantry_pacer_body as body
from tests.plants import gantry_pacer_brakes as brakes
from tests.plants import gantry_pacer_drive as drive
from tests.plants import gantry_pacer_recorder as recorder
from tests.plants import gantry_pacer_run as run
from tests.plants.gantry_pacer_crew import HZ, Fault, Mission
from tests.plants.gantry_pacer_faults import CAUSES, PAIRS, SIZES

ELBOW, TICKS = 3, 500


def arm_of(folder: Path):
    recorder.write_arm(folder)
    return load_arm(folder / "arm.toml")


@pytest.mark.parametrize("base", ["A", "B"])
def test_weights_are_those_of_the_arm_file_from_either_base(tmp_path: Path, base: str) -> None:
    q = np.random.default_rng(4).uniform(-1.2, 1.2, (5, 7))
    load = np.linspace(0, 30, 5)
    mine = body.needs(q, np.full(5, base == "B"), load, body.PLATE)
    none = np.zeros((5, 7))
    theirs = loads(arm_of(tmp_path), np.rad2deg(q), none, none, base=base, payload_kg=load)
    assert np.abs(mine.weight).max() > 500
    assert mine.weight == pytest.approx(theirs.torque_nm, abs=1e-6)


def test_inertia_is_that_of_the_arm_file_but_for_the_girth(tmp_path: Path) -> None:
    q, none = np.random.default_rng(5).uniform(-1, 1, (1, 7)), np.zeros((1, 7))
    arm, mine = arm_of(tmp_path), body.needs(q, np.array([False]), np.array([9.0]), body.PLATE)
    for k in range(7):
        push = np.eye(7)[k : k + 1]
        asked = loads(arm, np.rad2deg(q), none, np.rad2deg(push), payload_kg=9.0)
        # short bodies are points here, and none has girth
        assert mine.inertia[0, k] == pytest.approx(
            asked.torque_nm[0] - mine.weight[0], rel=0.02, abs=0.7
        )


def test_a_push_on_the_tip_does_the_work_that_the_joints_do() -> None:
    q, h = np.random.default_rng(6).uniform(-1, 1, (1, 7)), 1e-6
    force = np.array([30.0, -20.0, -90.0])
    held = body.needs(q, np.array([False]), np.zeros(1), body.PLATE).push[0] @ force
    for k in range(7):
        moved = q.copy()
        moved[0, k] += h
        work = (body.frames(moved)[3] - body.frames(q)[3])[0] @ force / h
        assert held[k] == pytest.approx(-work, abs=1e-3)


def hand_made(fault: Fault | None = None) -> Mission:
    """Return 20 s: free the elbow, 2 deg/s, stand, 0.4 deg/s, set the brake at 16 s; 12 kg."""
    t = np.arange(TICKS) / HZ
    order, shut = np.zeros((TICKS, 7)), np.ones((TICKS, 7), bool)
    order[:, ELBOW] = -2 * np.clip(3 * np.minimum(t - 2.5, 8 - t), 0, 1)
    order[:, ELBOW] -= 0.4 * np.clip(3 * np.minimum(t - 9, 15 - t), 0, 1)
    shut[25:400, ELBOW] = False
    load, never = np.full(TICKS, 12.0), np.zeros(TICKS, bool)
    pose = np.array([20.0, 10.0, 40.0, 50.0, 15.0, 10.0, 0.0])
    start = datetime(2051, 3, 1, 9)
    return Mission(
        7, start, "fault", 40.0, order, shut, never, load, load.copy(), never, pose, 6.0, 1.0,
        fault,
    )  # fmt: skip


AMOUNTS = {
    "friction-step": (0.9, 100, TICKS), "friction-growth": (1.2, 100, TICKS),
    "brake-drag": (0.9, 26, 400), "brake-slip": (0.4, 440, 470),
    "late-release": (0.6, 25, 60), "late-release-unsaid": (1.0, 25, 100),
    "stick-slip": (1.6, 226, 380), "blocked": (2.0, 120, 170),
    "current-offset": (0.4, 100, 200), "current-gain": (0.2, 100, 200),
    "current-dropout": (1.0, 100, 125), "current-stuck": (1.0, 100, 125),
    "angle-jump": (0.3, 100, 350), "angle-stuck": (1.2, 100, 130),
    "angle-drift": (1.5, 100, 300), "payload-wrong": (12.0, 100, TICKS), "gap": (3.0, 100, 175),
}  # fmt: skip


@cache
def twins() -> tuple[drive.Unit, dict[str, Mission], dict, dict]:
    unit = drive.make_unit(1)
    faults = {c: Fault(c, "middling", ELBOW, a, b, x) for c, (x, a, b) in AMOUNTS.items()}
    missions = {"": hand_made(), **{c: hand_made(f) for c, f in faults.items()}}
    missions["payload-wrong"].load[100:] = 16.0
    true = dict(zip(missions, run.simulate(list(missions.values()), unit), strict=True))
    said = {c: recorder.readings(m, true[c], unit) for c, m in missions.items()}
    return unit, missions, true, said


def test_every_fault_begins_where_it_should_and_not_before() -> None:
    _, _, true, said = twins()
    assert set(AMOUNTS) == set(CAUSES)
    sound = said[""]
    for cause, (_, start, _) in AMOUNTS.items():
        one = said[cause]
        apart = (one["angle"] != sound["angle"]) | (np.abs(one["amps"] - sound["amps"]) > 1e-9)
        apart |= true[cause]["word"] != true[""]["word"]
        apart |= (one["keep"] != sound["keep"])[:, None]
        assert not apart[:start].any(), cause
        assert apart[start : start + 100, ELBOW].any(), cause


def test_faults_do_what_they_say() -> None:
    unit, _, true, said = twins()
    elbow = {c: (x["angle"][:, ELBOW] / 100, x["amps"][:, ELBOW]) for c, x in said.items()}
    angle, amps = elbow[""]
    assert angle[210] - angle[0] == pytest.approx(-10.3, abs=0.5)
    per_amp = drive.GEAR[ELBOW] * unit.kt[ELBOW]
    rub = drive.RUB_NM[ELBOW]
    for cause, share in (("friction-step", 0.9), ("brake-drag", 0.9)):
        more = (elbow[cause][1] - amps)[140:190].mean() * per_amp
        assert -more == pytest.approx(share * rub, rel=0.3), cause
    grown = (elbow["friction-growth"][1] - amps) * per_amp
    assert -grown[320:370].mean() > 2 * -grown[150:190].mean() > 0.1 * rub
    assert np.ptp(elbow["brake-slip"][0][430:]) == pytest.approx(0.4, abs=0.03)
    assert np.ptp(angle[430:]) < 0.03
    words = {c: int(np.argmin(x["word"][:, ELBOW])) for c, x in true.items()}
    assert words["late-release"] - words[""] == pytest.approx(0.6 * HZ, abs=1)
    assert words["late-release-unsaid"] == words[""]
    late = elbow["late-release-unsaid"][0]
    assert abs(angle[85] - angle[0]) > 0.3 > 10 * abs(late[85] - late[0])
    assert abs(late[130] - late[0]) > 0.5
    steps = np.abs(np.diff(elbow["stick-slip"][0][226:375:5]))  # a fifth of a second each
    assert (steps < 0.021).mean() > 0.25 > (np.abs(np.diff(angle[270:375:5])) < 0.021).mean()
    assert np.ptp(elbow["blocked"][0][125:168]) < 0.2 < 2.5 < np.ptp(angle[125:168])
    assert elbow["blocked"][1][168] < 1.5 * amps[168] < 0
    offset = (elbow["current-offset"][1] - amps)[100:200]
    assert offset == pytest.approx(0.4, abs=0.013)
    assert (elbow["current-gain"][1][100:200] / amps[100:200]) == pytest.approx(1.2, abs=0.02)
    assert np.abs(elbow["current-dropout"][1][100:125]).max() < 0.05 < np.abs(amps[100:125]).min()
    assert np.ptp(elbow["current-stuck"][1][100:125]) == 0 < np.ptp(amps[100:125])
    assert (elbow["angle-jump"][0] - angle)[100:] == pytest.approx(0.3, abs=0.011)
    assert np.ptp(elbow["angle-stuck"][0][100:130]) == 0
    assert (elbow["angle-drift"][0] - angle)[300:] == pytest.approx(1.5, abs=0.011)
    assert not said["gap"]["keep"][100:175].any()
    heavier = (elbow["payload-wrong"][1] - amps)[140:190].mean() * per_amp
    assert heavier == pytest.approx(-4 * body.G * 1.6, rel=0.45)


def test_brakes_scatter_and_now_and_then_stick() -> None:
    shut = np.ones((200_000, 7), bool)
    for k in range(500):
        shut[400 * k + 100 : 400 * k + 300] = False
    m = hand_made()
    m.shut, m.order = shut, np.zeros(shut.shape)
    _, word = brakes.schedule(m)
    waits = np.concatenate(
        [brakes.edges(word[:, k])[0] - brakes.edges(shut[:, k])[0] for k in range(7)]
    ) / (HZ * np.repeat(brakes.RELEASE_S, 500))
    assert 1.0 < np.median(waits) < 1.5
    assert 0.003 < (waits > 2.1).mean() < 0.03


def test_logs_are_taken_in_whole_and_tell_what_the_truth_says(tmp_path: Path) -> None:
    unit, missions, true, _ = twins()
    recorder.write_map(tmp_path / "map.toml")
    recorder.write_arm(tmp_path)
    (tmp_path / "logs").mkdir()
    m = missions["angle-jump"]
    recorder.write_log(tmp_path / "logs" / "one.csv", m, true["angle-jump"], unit)
    log = pl.read_csv(tmp_path / "logs" / "one.csv")
    assert TICKS - 12 < len(log) <= TICKS
    assert log["ELBOW.brk"].drop_nulls().unique().sort().to_list() == ["FREE", "SET"]
    assert log["A_ROLL.pos[deg]"].null_count() > len(log) / 2  # on change
    archive = open_archive(tmp_path / "archive", create=True)
    chart, arm = load_map(tmp_path / "map.toml"), tmp_path / "arm.toml"
    ingest(archive, [tmp_path / "logs"], log_map=chart, arm=arm)
    stored = archive.sessions()
    assert stored.height == 1
    main = pl.read_parquet(next((tmp_path / "archive" / "samples").rglob("*.parquet")))
    assert len(main) == len(log)
    held = log["ELBOW.pos[deg]"].forward_fill()  # between writings an angle is what it was
    assert main["ELBOW.angle_deg"].equals(held, check_names=False)
    fault = plant.truth_of(m, "one.csv")["faults"][0]
    assert (fault["joint"], fault["kind"], fault["size"]) == ("ELBOW", "angle-sensor", "middling")
    seen = main.select("time", "ELBOW.angle_deg").drop_nulls()
    steps = seen.with_columns(step=pl.col("ELBOW.angle_deg").diff()).drop_nulls()
    at = steps.filter(pl.col("step") == pl.col("step").max())["time"][0]
    assert abs((at - datetime.fromisoformat(fault["start"])).total_seconds()) < 0.1


def test_a_campaign_places_every_fault_and_is_the_same_again() -> None:
    assert [sum(z == size for _, z in PAIRS) for size in SIZES] == [13, 13, 13]
    assert {c for c, _ in PAIRS} == set(CAUSES)
    again = plant.campaign(3, 1, 1, 2, share=0.5)
    for m, same in zip(plant.campaign(3, 1, 1, 2, share=0.5), again, strict=True):
        assert (m.order == same.order).all()
        assert m.fault == same.fault
    for m in plant.campaign(3, 0, 0, 13, share=0.6):
        assert not m.order[m.shut].any()
        assert len(plant.truth_of(m, "x.csv")["faults"]) == (m.role == "fault")
        if m.fault:
            assert 0 < m.fault.start < m.fault.end <= m.ticks
            if m.fault.cause == "payload-wrong":
                part = slice(m.fault.start, m.fault.end)
                assert np.abs(m.load / np.maximum(m.said_load, 1))[part] == pytest.approx(
                    1 + m.fault.sign / 3
                )
