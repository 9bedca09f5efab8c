"""The bed tender: its bodies keep their energy, its arm file fits them, a fault does its share."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Literal

import numpy as np
import pinocchio as pin
import pytest

from replay.archive import open_archive
from replay.arm.loads import loads
from replay.arm.reading import load_arm
from replay.cleaning import ingest
from replay.logs import load_map
from tests.plants import bed_tender as tender
from tests.plants.bed_tender_body import (
    AXIS,
    CENTRE,
    GYRATION,
    MASS,
    NAMES,
    PLACE,
    TIP,
    TRAY_CENTRE,
    TRAY_GYRATION,
    Array,
    Bodies,
    built,
    dynamics,
)
from tests.plants.bed_tender_drive import DEG, TICK, Fault, Plan, draw_arm, run
from tests.plants.bed_tender_errands import COUNT, HOME, ROOM, SIZES, day, place, runs

SEED = 29
START = datetime(2046, 5, 4, 9, tzinfo=UTC)


def posture(seed: int, speed: float) -> tuple[Array, Array]:
    r = np.random.default_rng(seed)
    return HOME + ROOM * r.uniform(-1, 1, 7), r.normal(0, speed, 7)


def test_a_free_swing_keeps_its_energy_from_either_end() -> None:
    q, dq = (np.repeat(x[None], 2, 0) for x in posture(1, 0.3))
    bodies = Bodies(np.array([False, True]), built(np.random.default_rng(SEED)))
    bodies.carry(np.array([0.0, 30.0]), np.full((2, 3), 0.02))

    def fall(q: Array, dq: Array) -> Array:
        matrix, bias, _ = dynamics(bodies, q, dq)
        out: Array = np.linalg.solve(matrix, -bias[:, :, None])[:, :, 0]
        return out

    def energy() -> tuple[Array, Array]:
        matrix, _, potential = dynamics(bodies, q, dq)
        moving = np.einsum("si,sij,sj->s", dq, matrix, dq) / 2
        return moving, moving + potential

    before, h = energy()[1], 0.002
    for _ in range(150):
        a1 = fall(q, dq)
        a2 = fall(q + h / 2 * dq, dq + h / 2 * a1)
        a3 = fall(q + h / 2 * dq + h * h / 4 * a1, dq + h / 2 * a2)
        a4 = fall(q + h * dq + h * h / 2 * a2, dq + h * a3)
        q = q + h * dq + h * h / 6 * (a1 + a2 + a3)
        dq = dq + h / 6 * (a1 + 2 * a2 + 2 * a3 + a4)
    moving, after = energy()
    assert moving.min() > 50  # it did fall
    assert after == pytest.approx(before, abs=1e-4 * moving.min())


def test_the_torques_are_those_of_another_rigid_body_library() -> None:
    model, parent = pin.Model(), 0
    for i, name in enumerate(NAMES):
        turning = pin.JointModelRY() if AXIS[i, 1] else pin.JointModelRZ()
        parent = model.addJoint(parent, turning, pin.SE3(np.eye(3), PLACE[i]), name)
        own = np.diag(MASS[i + 1] * GYRATION[i + 1] ** 2)
        body = pin.Inertia(MASS[i + 1], CENTRE[i + 1], own)
        model.appendBodyToJoint(parent, body, pin.SE3.Identity())
    tray = pin.Inertia(25.0, TIP + TRAY_CENTRE, np.diag(25.0 * TRAY_GYRATION**2))
    model.appendBodyToJoint(parent, tray, pin.SE3.Identity())
    (q, dq), ddq = posture(4, 0.5), posture(5, 0.5)[1]
    bodies = Bodies(np.array([False]), built())
    bodies.carry(np.array([25.0]))
    matrix, bias, _ = dynamics(bodies, q[None], dq[None])
    theirs = pin.rnea(model, model.createData(), q, dq, ddq)
    assert matrix[0] @ ddq + bias[0] == pytest.approx(theirs, abs=1e-9)


@pytest.mark.parametrize("base", ["A", "B"])
def test_the_arm_file_asks_the_torques_of_the_drawing(base: Literal["A", "B"]) -> None:
    (q, dq), ddq = posture(2, 0.1), posture(3, 0.1)[1]
    order = np.arange(7) if base == "A" else np.arange(6, -1, -1)
    bodies = Bodies(np.array([base == "B"]), built())
    bodies.carry(np.array([20.0]))
    matrix, bias, _ = dynamics(bodies, q[None, order], dq[None, order])
    own = np.empty(7)
    own[order] = matrix[0] @ ddq[order] + bias[0]
    filed = loads(
        load_arm(tender.arm_file()), *(np.degrees(x)[None] for x in (q, dq, ddq)),
        base=base, payload_kg=20.0,
    ).torque_nm[0]  # fmt: skip
    assert np.abs(own).max() > 200
    assert filed == pytest.approx(own, abs=0.01)
    assert [j.name for j in load_arm(tender.arm_file(full=False)).joints] == list(NAMES)


def knee(cause: str = "", amount: float = 0.0, span: tuple[float, float] = (0, 0)) -> Plan:
    """Return 10 s: the knee turns at 1.5 deg/s from 1.4 s to 7.4 s, and ends in its brake."""
    ticks = round(10 / TICK)
    rate, release = np.zeros((ticks, 7)), np.zeros((ticks, 7), bool)
    rate[35:185, 3], release[25:200, 3] = 1.5 * DEG, True
    plan = Plan(
        rate=rate, release=release, load=np.full(ticks, 10.0), listed=np.full(ticks, 10.0),
        errand=np.full(ticks, 1), start=HOME.copy(), base_b=False, air=np.full(ticks, 22.0),
    )  # fmt: skip
    if cause:
        plan.fault = Fault(3, cause, "large", amount, *span)
    return plan


CASES = {
    "friction-step": (0.6, (3.0, 10.0)),
    "brake-drag": (0.7, (1.0, 8.0)),
    "brake-slip": (-1.0 * DEG, (8.6, 9.6)),
    "late-release": (0.6, (1.0, 1.72)),
    "late-release-lying": (0.6, (1.0, 1.72)),
    "blocked-motion": (2.0, (4.0, 6.0)),
    "angle-jump": (50 * COUNT, (4.0, 10.0)),
    "angle-stuck": (2.0, (4.0, 6.0)),
    "current-offset": (0.6, (4.0, 10.0)),
}
Twins = tuple[list[Plan], dict[str, Array], dict[str, Array]]


@pytest.fixture(scope="module")
def twins() -> Twins:
    plans = [knee(cause, *case) for cause, case in CASES.items()]
    arm, seeds = draw_arm(SEED), list(range(len(plans)))
    return plans, run(arm, plans, seeds), run(arm, plans, seeds, faults=False)


def at(seconds: float) -> int:
    return round(seconds / TICK)


def test_nothing_differs_before_a_fault(twins: Twins) -> None:
    plans, with_it, without = twins
    for i, plan in enumerate(plans):
        assert plan.fault
        for key in ("q", "amp", "word"):
            first = at(plan.fault.start_s)
            assert np.array_equal(with_it[key][i, :first], without[key][i, :first])
    far = np.diff(without["q"][:, [at(2.5), at(7.0)], 3], axis=1) / DEG
    assert far == pytest.approx(1.5 * 4.5, rel=0.04)  # and healthy ones follow the plan


def test_faults_in_the_drive_do_their_share(twins: Twins) -> None:
    plans, with_it, without = twins
    arm = draw_arm(SEED)
    more = (with_it["amp"] - without["amp"])[..., 3]
    where = {p.fault.cause: i for i, p in enumerate(plans) if p.fault}
    drag = 0.7 * arm.coulomb[3] / arm.kt[3] / 160
    assert more[where["brake-drag"], at(5) : at(7)].mean() == pytest.approx(drag, rel=0.1)
    own = arm.coulomb[3] / arm.kt[3] / 160
    assert more[where["friction-step"], at(5) : at(7)].mean() > 0.6 * own
    gone = (with_it["q"] - without["q"])[..., 3] / DEG
    slip = gone[where["brake-slip"]]
    assert np.abs(slip[: at(8.6)]).max() == 0
    assert slip[at(9.8)] == pytest.approx(-1.0, rel=0.03)
    block = where["blocked-motion"]
    assert np.ptp(with_it["q"][block, at(4.2) : at(6), 3]) < 0.1 * DEG
    assert more[block, at(5.5)] > 3 * own
    assert np.abs(gone[block, at(7.4) :]).max() < 1.5  # it catches up


def test_a_late_brake_holds_and_its_word_may_lie(twins: Twins) -> None:
    plans, with_it, without = twins
    where = {p.fault.cause: i for i, p in enumerate(plans) if p.fault}
    honest, lying = where["late-release"], where["late-release-lying"]

    def first(key: str, seen: dict[str, Array], i: int) -> int:
        return runs(np.asarray(seen[key][i, :, 3], bool))[0][0]

    usual = first("word", without, honest)
    assert 25 < usual <= 30
    late = round(0.6 / TICK)
    assert first("word", with_it, honest) - usual == pytest.approx(late, abs=1)
    assert first("free", with_it, lying) - usual == pytest.approx(late, abs=1)
    assert first("word", with_it, lying) == first("word", without, lying)
    held = with_it["q"][lying, 25 : first("free", with_it, lying), 3]
    assert np.ptp(held) < 0.02 * DEG


def test_the_recorder_tells_its_own_faults(twins: Twins) -> None:
    plans, seen, _ = twins
    arm = draw_arm(SEED)
    where = {p.fault.cause: i for i, p in enumerate(plans) if p.fault}

    def column(cause: str, name: str) -> tuple[Array, Array, Array]:
        i, plan = where[cause], plans[where[cause]]
        log = tender.record(arm, plan, seen, i, 1)
        fault, plan.fault = plan.fault, None
        healthy = tender.record(arm, plan, seen, i, 1)
        plan.fault = fault
        s = log["ms"].to_numpy() / 1e3
        return s, log[name].to_numpy(), healthy[name].to_numpy()

    s, moved, was = column("angle-jump", "knee.turn")
    assert (moved - was)[s > 4.1] * 360 == pytest.approx(50 * 360 / 65536, abs=1e-3)
    assert np.array_equal(moved[s < 3.9], was[s < 3.9])
    s, stuck, was = column("angle-stuck", "knee.turn")
    inside = (s > 4.1) & (s < 5.9)
    assert np.ptp(stuck[inside]) == 0
    assert np.ptp(was[inside]) * 360 > 2
    s, amps, was = column("current-offset", "knee.amps")
    assert (amps - was)[s > 4.1].mean() == pytest.approx(0.6, abs=0.005)


def drawn(cause: str, size: str, r: np.random.Generator) -> Plan:
    """Return a day in which the fault has a place."""
    while True:
        plan = day(r, 13, 10, 0.4)
        if place(plan, cause, size, r):
            return plan


def test_every_cause_finds_a_place_in_a_day() -> None:
    r = np.random.default_rng(SEED)
    for cause in SIZES:
        plan = next(
            p for p in iter(lambda: day(r, 13, 10, 0.4), None) if place(p, cause, "large", r)
        )
        assert plan.fault
        a, b = at(plan.fault.start_s), at(plan.fault.end_s)
        assert 0 <= a < b <= len(plan.load)
        rate, release = plan.rate[a:b, plan.fault.joint], plan.release[a:b, plan.fault.joint]
        if cause == "brake-slip":
            assert not release.any()
        elif cause == "angle-stuck":
            assert np.abs(rate).min() > 1.5 * DEG
        elif cause == "wrong-load":
            assert np.abs(plan.listed - plan.load)[a + 50 : b].min() > 10
        elif cause not in ("angle-jump", "late-release"):
            assert np.abs(rate).max() > 0


def test_small_stick_slip_sticks() -> None:
    plan = drawn("stick-slip", "small", np.random.default_rng(SEED))
    assert plan.fault
    a, b = at(plan.fault.start_s) - 50, at(plan.fault.start_s) + 275
    plan.start = plan.start + plan.rate[:a].sum(axis=0) * TICK
    for key in ("rate", "release", "load", "listed", "errand", "air"):
        setattr(plan, key, getattr(plan, key)[a:b])
    plan.fault.start_s, plan.fault.end_s = 50 * TICK, 325 * TICK
    arm, j = draw_arm(SEED), plan.fault.joint
    rough, even = (
        np.gradient(run(arm, [plan], [1], faults=f)["q"][0, 175:325, j].astype(float), TICK).std()
        for f in (True, False)
    )
    assert rough > 10 * even
    assert rough > 0.05 * DEG


def test_logs_are_taken_with_the_map(tmp_path: Path, twins: Twins) -> None:
    plans, seen, _ = twins
    (tmp_path / "logs").mkdir()
    (tmp_path / "map.toml").write_text(tender.log_map())
    (tmp_path / "arm.toml").write_text(tender.arm_file())
    log = tender.record(draw_arm(SEED), plans[0], seen, 0, 1)
    name = f"tender-{START:%Y%m%dT%H%M%S}.csv"
    log.write_csv(tmp_path / "logs" / name, separator=";")
    archive = open_archive(tmp_path / "archive", create=True)
    ingest(
        archive, [tmp_path / "logs"],
        log_map=load_map(tmp_path / "map.toml"), arm=tmp_path / "arm.toml",
    )  # fmt: skip
    session = archive.session(archive.sessions()["session"].to_list()[0])
    assert Path(str(session.source)).name == name
    assert abs(session.start - START) < timedelta(seconds=1)
    truth = tender.truth_of(name, "fault", START, plans[0], seen, 0)
    assert truth["faults"][0]["joint"] == "knee"
    assert truth["faults"][0]["start"] == (START + timedelta(seconds=3)).isoformat()
