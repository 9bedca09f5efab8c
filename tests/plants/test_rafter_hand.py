"""The rafter hand: its rigid body, its drives at rest, its recorder, faults against a twin."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest

from replay.arm.loads import loads
from replay.arm.reading import load_arm
from tests.plants import rafter_hand as hand
from tests.plants import rafter_hand_body as body
from tests.plants import rafter_hand_crew as crew
from tests.plants import rafter_hand_drive as drive
from tests.plants import rafter_hand_faults as faults
from tests.plants import rafter_hand_recorder as recorder

Q = np.array([0.4, -0.5, 0.7, 1.1, -0.6, 0.8, -0.3])


@pytest.mark.parametrize("base", ["A", "B"])
def test_the_body_is_the_one_that_a_faultless_arm_file_describes(base: str) -> None:
    """Against the recursive inverse dynamics, which share nothing with the plant."""
    arm = body.Bodies(np.array([base == "B"]))
    arm.load(np.array([7.0]))
    arm.place(Q[None])
    v = np.array([0.3, -0.2, 0.5, 0.2, -0.4, 0.1, 0.6])
    accel = np.array([0.1, -0.2, 0.3, 0.2, -0.4, 0.1, 0.2])
    mine = arm.mass_matrix()[0] @ accel + arm.bias(v[None])[0]
    way = -1 if base == "B" else 1
    filed = loads(
        load_arm(drive.arm_file(error=0.0)),
        *(np.degrees(x[::way])[None] for x in (Q, v, accel)),
        base="B" if base == "B" else "A",
        payload_kg=7.0,
    ).torque_nm[0]
    assert mine[::way] == pytest.approx(filed, abs=2e-4 * float(np.abs(filed).max()))
    stated = load_arm(drive.arm_file())
    off = [j.link.mass_kg / m - 1 for j, m in zip(stated.joints, body.MASS_KG[1:], strict=True)
           if j.link]  # fmt: skip
    assert 0.005 < float(np.abs(off).max()) < 0.08


def test_a_free_swing_of_links_and_rotors_keeps_its_energy() -> None:
    arm, v, h = body.Bodies(np.array([False])), np.full((1, 7), 0.3), 0.004
    arm.load(np.array([12.0]))
    rotor = np.diag(np.full(7, 20.0))
    q, seen, height = Q[None].copy(), [], []
    for _ in range(300):
        arm.place(q)
        seen.append(float(arm.energy(v)[0] + 0.5 * v[0] @ rotor @ v[0]))
        height.append(float(arm.mass[0] @ arm.centre[0, :, 2]) * body.GRAVITY_M_S2)
        mass = arm.mass_matrix()[0] + rotor
        middle = v - 0.5 * h * np.linalg.solve(mass, arm.bias(v)[0])
        new = v - h * np.linalg.solve(mass, arm.bias(middle)[0])
        q, v = q + 0.5 * h * (v + new), new
    moved = max(height) - min(height)
    assert moved > 30
    assert max(seen) - min(seen) < 0.02 * moved


def short(base_b: bool = True, seconds: float = 24.0) -> recorder.Session:
    """One move out and back of all joints with a load in hand, a pause with brakes shut."""
    rows = int(seconds * crew.HZ)
    free = np.zeros((rows, 7), bool)
    free[15:240] = True
    asked = np.zeros((rows, 7))
    asked[30:110] = np.minimum(np.minimum(np.arange(80), np.arange(80)[::-1]) * 0.4, 4.0)[:, None]
    asked[150:230] = -asked[30:110]
    plan = crew.Plan(
        start_deg=np.array([10.0, 25.0, 5.0, 50.0, 0.0, -20.0, 15.0]), asked_deg_s=asked,
        free=free, mode=np.ones(rows, np.int8), hung_kg=np.full(rows, 6.0),
        said_kg=np.full(rows, 6.0),
    )  # fmt: skip
    when = datetime(2037, 5, 1, 7, tzinfo=UTC)
    return recorder.Session(1, "fault", when, base_b, 18.0, plan)


def fault(cause: str, first: int, last: int, extra_s: float = 0.0) -> faults.Fault:
    return faults.Fault(cause, "large", 1, first, last, faults.CAUSES[cause][1][0], extra_s)


FAULTS = (
    fault("friction-step", 60, 230),
    fault("friction-growth", 60, 230),
    fault("brake-drag", 40, 230),
    fault("brake-slip", 260, 290),
    fault("late-release", 15, 43, 1.6),
    fault("late-release-lying", 15, 58, 2.8),
    fault("stick-slip", 50, 230),
    fault("blocked", 50, 108),
    fault("current-offset", 70, 200),
    fault("current-gain", 70, 200),
    fault("angle-jump", 80, 230),
    fault("angle-stuck", 50, 100),
    fault("payload", 20, 230),
)


@pytest.fixture(scope="module")
def runs() -> list[pl.DataFrame]:
    """The healthy twin, and the same session with each of the faults."""
    return hand.simulate([short(), *(replace(short(), fault=f) for f in FAULTS)], 7)


def test_each_fault_begins_where_truth_says_and_changes_its_span(runs: list[pl.DataFrame]) -> None:
    assert {f.cause for f in FAULTS} == set(faults.CAUSES)
    twin, *logs = runs
    for f, log in zip(FAULTS, logs, strict=True):
        x = replace(short(), fault=f)
        told = hand.truth(x)["faults"][0]  # type: ignore[index]
        assert told["joint"] == "nod"  # the second from end B
        assert told["kind"] == f.kind
        seen = hand.change(x, log, twin)
        assert seen["current"] > 3 or seen["angle_deg"] > 0.02, f.cause
        assert (seen["word_rows"] > 5) == (f.cause == "late-release"), f.cause
        begin = datetime.fromisoformat(told["start"]) - x.start
        before = pl.col("t_ms") < begin.total_seconds() * 1000
        assert log.filter(before).equals(twin.filter(before)), f.cause
        after = pl.col("t_ms") >= begin.total_seconds() * 1000
        assert not log.filter(after).equals(twin.filter(after)), f.cause
    slid = (logs[3]["nod/turns"] - twin["nod/turns"]).to_numpy() * 360
    assert 1.5 < abs(slid[-1]) < 4.0


@pytest.mark.parametrize("base_b", [False, True])
def test_at_rest_currents_carry_the_weight_within_friction(base_b: bool) -> None:
    """Statics of the exact arm file against the recorded current, brakes released."""
    log = hand.simulate([short(base_b)], 7)[0]
    still = log.filter(pl.col("t_ms").is_between(10_400, 11_600))
    turns = np.array([still[f"{n}/turns"].mean() for n in body.NAMES]) * 360
    amps = np.array([still[f"{n}/amps"].mean() for n in body.NAMES])
    held = loads(
        load_arm(drive.arm_file(error=0.0)), turns[None], np.zeros((1, 7)), np.zeros((1, 7)),
        base="B" if base_b else "A", payload_kg=6.0,
    ).torque_nm[0]  # fmt: skip
    unit = drive.units(7)
    rub = 1.3 * unit.coulomb * (1 + unit.rise) + unit.loss * np.abs(held) + unit.cogging + 5.0
    assert np.all(np.abs(amps * unit.kt - held) < rub + 0.02 * np.abs(held))
    assert np.abs(held).max() > 150
    shut = log.filter(pl.col("t_ms") < 1000)
    assert max(abs(shut[f"{n}/amps"].mean()) for n in body.NAMES) < 0.05  # type: ignore[arg-type, operator, type-var]


def test_the_joint_goes_where_it_is_sent_and_the_recorder_counts_in_its_steps(
    runs: list[pl.DataFrame],
) -> None:
    log, asked = runs[0], short().plan.asked_deg_s
    turns = log["slew/turns"].to_numpy() * 360
    at = int((log["t_ms"] < 11_200).sum())
    assert turns[at] - turns[5] == pytest.approx(asked[:140, 0].sum() / crew.HZ, abs=0.4)
    assert np.all(np.diff(log["t_ms"].to_numpy()) > 30)
    for name, step in (("slew/turns", 1 / recorder.COUNTS), ("slew/amps", 0.02)):
        counted = log[name].to_numpy() / step
        assert counted == pytest.approx(np.round(counted), abs=1e-4)
    assert log["bend/winding"].null_count() > 0.5 * len(log)


def test_a_campaign_is_the_same_twice_and_has_each_fault_once() -> None:
    one, two = hand.campaign(7), hand.campaign(7)
    assert all(np.array_equal(a.plan.asked_deg_s, b.plan.asked_deg_s)
               and a.fault == b.fault for a, b in zip(one, two, strict=True))  # fmt: skip
    told = sorted((x.fault.cause, x.fault.size) for x in one if x.fault)
    assert told == sorted((c, s) for c in faults.CAUSES for s in faults.SIZES)
    assert [x.role for x in one].count("clean") == 14
    assert all(13.5 < len(x.plan.mode) / crew.HZ / 60 < 18 for x in one)
    a, b = (hand.simulate([short(seconds=20)], 3)[0] for _ in range(2))
    assert a.equals(b)
    assert not a.equals(hand.simulate([short(seconds=20)], 4)[0])
