"""The ridge crane: its bodies keep their energy, its arm file fits them, a fault does its share."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from replay.arm.loads import loads
from replay.arm.reading import load_arm
from tests.plants import ridge_crane as crane
from tests.plants.ridge_crane_crew import COUNT, DEG, HOME, ROOM, TICK, Plan, _runs

SEED = 41


def posture(seed: int, speed: float) -> tuple[np.ndarray, np.ndarray]:
    r = np.random.default_rng(seed)
    return HOME + ROOM * r.uniform(-1, 1, 7), r.normal(0, speed, 7)


def test_a_free_swing_keeps_its_energy_from_either_end() -> None:
    q, dq = (np.repeat(x[None], 2, 0) for x in posture(1, 0.4))
    bodies = crane.chains(np.array([False, True]), crane.draw_arm(SEED).scatter)
    bodies.carry(np.array([0.0, 150.0]), np.full((2, 3), 0.02))

    def fall(q: np.ndarray, dq: np.ndarray) -> np.ndarray:
        matrix, bias, _ = crane.dynamics(bodies, q, dq)
        return -np.linalg.solve(matrix, bias[:, :, None])[:, :, 0]

    def energy() -> tuple[np.ndarray, np.ndarray]:
        matrix, _, potential = crane.dynamics(bodies, q, dq)
        moving = np.einsum("si,sij,sj->s", dq, matrix, dq) / 2
        return moving, moving + potential

    (moving, before), h = energy(), 0.004
    for _ in range(80):
        a1 = fall(q, dq)
        a2 = fall(q + h / 2 * dq, dq + h / 2 * a1)
        a3 = fall(q + h / 2 * dq + h * h / 4 * a1, dq + h / 2 * a2)
        a4 = fall(q + h * dq + h * h / 2 * a2, dq + h * a3)
        q = q + h * dq + h * h / 6 * (a1 + a2 + a3)
        dq = dq + h / 6 * (a1 + 2 * a2 + 2 * a3 + a4)
    assert np.abs(energy()[0] - moving).min() > 10  # it did swing
    assert energy()[1] == pytest.approx(before, abs=1e-5 * moving.min())


@pytest.mark.parametrize("base", ["A", "B"])
def test_the_arm_file_asks_the_torques_of_the_drawing(base: str) -> None:
    (q, dq), ddq = posture(2, 0.05), posture(3, 0.05)[1]
    order = np.arange(7) if base == "A" else np.arange(6, -1, -1)
    bodies = crane.chains(np.array([base == "B"]))
    bodies.carry(np.array([120.0]), np.zeros((1, 3)))
    matrix, bias, _ = crane.dynamics(bodies, q[None, order], dq[None, order])
    own = np.empty(7)
    own[order] = matrix[0] @ ddq[order] + bias[0]
    filed = loads(
        load_arm(crane.arm_file()), *(np.degrees(x)[None] for x in (q, dq, ddq)),
        base=base, payload_kg=120.0,
    ).torque_nm[0]  # fmt: skip
    assert filed == pytest.approx(own, abs=0.02)
    assert [j.name for j in load_arm(crane.arm_file(full=False)).joints] == list(crane.NAMES)


def pushed(cause: str = "", base_b: bool = False) -> Plan:
    """Return 5.4 s: brakes open, the elbow turns from 1 s to 4.9 s, brakes close."""
    ticks = 170
    rate, ask = np.zeros((ticks + 1, 7)), np.zeros((ticks, 7), bool)
    rate[30:152, 3] = 1.0 * DEG
    ask[10:158] = True
    plan = Plan(
        rate=rate, ask_open=ask, load=np.full(ticks, 80.0), listed=np.full(ticks, 80.0),
        phase=np.full(ticks, "single", dtype=object), on=np.ones(ticks, bool),
        start_q=HOME.copy(), base_b=base_b, ambient=15.0,
    )  # fmt: skip
    if cause:
        plan.joint, plan.cause, plan.span = 3, cause, (75, 145)
    inside = (np.arange(ticks) >= 75) & (np.arange(ticks) < 145)
    if cause == "friction-step":
        plan.extra = 0.6 * inside
    elif cause == "angle-jump":
        plan.size = 20 * COUNT
    return plan


@pytest.fixture(scope="module")
def twins() -> tuple[list[Plan], dict[str, np.ndarray], dict[str, np.ndarray]]:
    plans = [pushed("friction-step"), pushed("blocked-motion"), pushed(base_b=True)]
    arm = crane.draw_arm(SEED)
    return plans, crane.run(arm, plans, [SEED]), crane.run(arm, plans, [SEED], faults=False)


def test_a_fault_does_its_share_and_nothing_before(
    twins: tuple[list[Plan], dict[str, np.ndarray], dict[str, np.ndarray]],
) -> None:
    _, with_it, without = twins
    arm = crane.draw_arm(SEED)
    for name in ("q", "amp", "word"):
        assert np.array_equal(with_it[name][:2, :75], without[name][:2, :75])
        assert np.array_equal(with_it[name][2], without[name][2])  # a healthy session has no twin
    more = (with_it["amp"] - without["amp"])[0, 115:145, 3].mean()
    assert more == pytest.approx(0.6 * arm.coulomb[3] / arm.kt[3], rel=0.1)
    far = with_it["q"][:, 145, 3] - with_it["q"][:, 75, 3]
    assert far[2] == pytest.approx(1.0 * DEG * 70 * TICK, rel=0.03)  # follows what is commanded
    assert far[1] < 0.3 * far[2]
    assert with_it["amp"][1, 143, 3] > without["amp"][1, 143, 3] + 2


def test_brakes_hold_until_their_word_and_the_log_tells_it(
    twins: tuple[list[Plan], dict[str, np.ndarray], dict[str, np.ndarray]],
) -> None:
    plans, seen, _ = twins
    arm, start = crane.draw_arm(SEED), datetime(2034, 3, 2, tzinfo=UTC)
    assert np.abs(np.diff(seen["th"][:, 2:10], axis=1)).max() == 0  # rotors are stuck
    log = crane.record(arm, plans[2], seen, 2, start, np.random.default_rng(1), True)
    assert set(log["stand"]) == {"south"}
    assert log["stamp_us"].is_sorted()
    assert log["manifest_lb"][0] == 176
    opened = _runs((log["EL_clamp"] == "OPEN").to_numpy(), 1)
    assert len(opened) == 1
    assert 2 <= opened[0][0] - 10 <= 8
    jump = pushed("angle-jump", base_b=True)
    moved = crane.record(arm, jump, seen, 2, start, np.random.default_rng(1), True)
    gap = (moved["EL_enc_mrad"] - log["EL_enc_mrad"]).to_numpy()
    late = np.arange(len(gap)) > 80
    assert gap[late].mean() == pytest.approx(20 * COUNT * 1e3, rel=0.01)
    assert np.abs(gap[:70]).max() == 0


def test_a_crew_finds_a_place_for_each_fault() -> None:
    sessions = crane.campaign(SEED, 1, 1, 13, 8.0)
    causes = {p.cause for _, p in sessions if p.cause}
    assert causes == set(crane.CAUSES)
    assert [role for role, _ in sessions].count("fault") == 13
