"""The basin keeper: its rigid body, its water, its recorder, and a fault against its twin."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest

from replay.arm.loads import loads
from replay.arm.reading import load_arm
from tests.plants import basin_keeper as keeper
from tests.plants import basin_keeper_body as body
from tests.plants import basin_keeper_crew as crew
from tests.plants import basin_keeper_drive as drive

Q = np.array([0.4, -0.5, 0.7, 1.1, -0.6, 0.8, -0.3])


def the_arm(base_b: bool, payload_kg: float, rotor: float = 0.0) -> body.Bodies:
    arm = body.bodies(
        np.random.default_rng(0), np.array([base_b]), np.full((1, 7), rotor), np.zeros(1), 0.0
    )
    arm.mass_kg[0, -1], arm.weight_n[0, -1] = payload_kg, payload_kg * body.WET_GRAVITY_M_S2
    return arm


@pytest.mark.parametrize("base", ["A", "B"])
def test_the_body_is_the_one_that_the_arm_file_describes(base: str) -> None:
    """Against the recursive inverse dynamics, which share nothing with the plant."""
    arm, turned = the_arm(base == "B", 20.0), body.TURNED if base == "B" else np.ones(7)
    jac, axes, _, along = arm.placed(Q[None])
    accel = np.array([0.1, -0.2, 0.3, 0.2, -0.4, 0.1, 0.2])
    weight = -arm.pull(jac, along, jac, np.zeros((1, 7)), 0.01, np.zeros((3, 1)))[0]
    mine = weight + arm.mass_matrix(jac, axes)[0] @ accel

    def from_a(x: np.ndarray) -> np.ndarray:
        return np.asarray((x * turned)[:: -1 if base == "B" else 1])

    filed = loads(
        load_arm(drive.arm_file()),
        np.degrees(from_a(Q))[None],
        np.zeros((1, 7)),
        np.degrees(from_a(accel))[None],
        base="B" if base == "B" else "A",
        payload_kg=20.0,
    ).torque_nm[0]
    assert from_a(mine) == pytest.approx(filed, abs=0.02 * float(np.abs(filed).max()))


def test_a_free_swing_keeps_its_energy_and_water_takes_it() -> None:
    def swing(drag: float) -> tuple[float, float]:
        arm = the_arm(False, 20.0, rotor=20.0)
        arm.drag *= drag
        q, v, h, pulse = Q[None].copy(), np.full((1, 7), 0.3), 0.004, []
        last = arm.placed(q)[0]
        for _ in range(300):
            jac, axes, _, along = arm.placed(q)
            mass = arm.mass_matrix(jac, axes)
            height = -float((arm.weight_n * _heights(arm, q)).sum())
            pulse.append(0.5 * float(v[0] @ mass[0] @ v[0]) - height)
            pull = arm.pull(jac, along, last, v, h, np.zeros((3, 1)))
            v = v + h * np.linalg.solve(mass, pull[:, :, None])[:, :, 0]
            q, last = q + h * v, jac
        return pulse[0], pulse[-1]

    first, end = swing(0.0)
    _, wet = swing(1.0)
    taken = first - wet
    assert taken > 20.0
    assert abs(end - first) < 0.03 * taken


def _heights(arm: body.Bodies, q: np.ndarray) -> np.ndarray:
    """Heights of the mass points above the socket, by turning matrices link after link."""
    turn, place, out = np.eye(3), np.array([0.0, 0.0, body.LENGTHS_M[0]]), []
    bodies = [b for b, _, _ in body.POINTS] + [7]
    for k, axis in enumerate(body.AXES):
        c, s = np.cos(q[0, k]), np.sin(q[0, k])
        one = np.eye(3)
        i, j = (axis + 1) % 3, (axis + 2) % 3
        one[i, i] = one[j, j] = c
        one[i, j], one[j, i] = -s, s
        turn = turn @ one
        out += [
            (place + turn @ arm.local_m[:, 0, n])[0] for n, b in enumerate(bodies) if b == k + 1
        ]
        place = place + turn @ np.array([0.0, 0.0, body.LENGTHS_M[k + 1]])
    return np.array([out])


def short(seconds: float = 22.0) -> keeper.Session:
    """One lift, one pause, one lift back, end B plugged in."""
    rows = int(seconds * crew.HZ)
    plan = crew.Plan(
        base_b=True,
        start_deg=np.array([0.0, 10.0, 0.0, 70.0, 0.0, 0.0, 0.0]),
        asked=np.zeros((rows, 7)),
        shut=np.ones((rows, 7), dtype=bool),
        phase=np.zeros(rows, np.int8),
        hung=np.full(rows, 15.0),
        kind=np.zeros(rows, np.int8),
    )
    plan.shut[20:370, :2] = False
    plan.asked[30:170, 1] = np.minimum(np.minimum(np.arange(140), np.arange(140)[::-1]) * 0.1, 3.0)
    plan.asked[210:350] = -plan.asked[30:170]
    return keeper.Session(1, "fault", datetime(2034, 5, 1, tzinfo=UTC), 7, plan)


def fault(cause: str, first: int, last: int) -> crew.Fault:
    return crew.Fault(cause, "large", 1, first, last, crew.CAUSES[cause][1][0], 1, 0.5)


FAULTS = (
    fault("friction-step", 100, 440),
    fault("late-release", 20, 60),
    fault("late-release-lying", 20, 70),
    fault("blocked", 80, 140),
    fault("brake-slip", 385, 425),
    fault("current-gain", 100, 300),
    fault("angle-jump", 120, 440),
    fault("angle-stuck", 70, 140),
    fault("payload", 25, 440),
)


@pytest.fixture(scope="module")
def runs() -> list[pl.DataFrame]:
    """The healthy twin, and the same session with each of the faults."""
    return keeper.simulate([short(), *(replace(short(), fault=f) for f in FAULTS)], 6)


def test_each_kind_of_fault_changes_its_span_and_nothing_before_it(
    runs: list[pl.DataFrame],
) -> None:
    twin, *logs = runs
    name = keeper.truth(replace(short(), fault=FAULTS[0]))["faults"][0]["joint"]  # type: ignore[index]
    assert name == "lift2"
    for f, log in zip(FAULTS, logs, strict=True):
        seen = keeper.change(replace(short(), fault=f), log, twin)
        assert max(seen["current"], seen["angle"]) > 3, f.cause
        assert log[: f.first - 1].equals(twin[: f.first - 1]), f.cause
        assert (seen["word_rows"] > 0) == (f.cause == "late-release"), f.cause
    slipped = logs[4]["lift2_turn_mrad"].to_numpy() - twin["lift2_turn_mrad"].to_numpy()
    assert abs(slipped[-1]) == pytest.approx(52.36, rel=0.02)


def test_the_joint_follows_what_is_asked_and_the_recorder_counts_in_its_steps(
    runs: list[pl.DataFrame],
) -> None:
    log = runs[0]
    turn, asked = log["lift2_turn_mrad"].to_numpy(), log["lift2_asked_rpm"].to_numpy()
    assert turn[190] - turn[15] == pytest.approx(
        np.radians(6 * asked[:190].sum() / crew.HZ) * 1000, abs=8
    )
    assert np.all(np.diff(log["wall_us"].to_numpy()) > 20_000)
    assert not np.any(log["lift2_draw_mA"].to_numpy() % 8)
    held = log["lift2_draw_mA"].to_numpy()[:15]
    assert float(np.abs(held).mean()) < 40 < float(np.abs(log["lift2_draw_mA"][60:140]).mean())
