"""The walking arm's physics: power balance, elastic modes, twin runs, a whole short session."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import pytest

from tests.plants import orbital_walker as walker


@pytest.mark.parametrize("base_b", [False, True])
def test_power_in_equals_growth_of_motion_energy(base_b: bool) -> None:
    bodies = walker.make_bodies(np.ones(8))
    g = np.random.default_rng(4)
    base, load = np.array([base_b]), np.array([900.0])
    q, v = g.uniform(-0.8, 0.8, (1, 11)), g.uniform(-0.2, 0.2, (1, 11))
    torque = g.uniform(-400, 400, (1, 11))
    rotors = 2000.0 * np.eye(11)

    def slope(x: np.ndarray) -> np.ndarray:
        at, rate = x[:, :11], x[:, 11:22]
        matrix, swirl = walker.rigid_terms(at, rate, bodies, base, load)
        growth = np.linalg.solve(matrix + rotors, (torque - swirl)[..., None])[..., 0]
        return np.concatenate([rate, growth, (torque * rate).sum(1, keepdims=True)], axis=1)

    def energy(x: np.ndarray) -> float:
        matrix, _ = walker.rigid_terms(x[:, :11], x[:, 11:22], bodies, base, load)
        return float(0.5 * x[0, 11:22] @ (matrix[0] + rotors) @ x[0, 11:22])

    x, h = np.concatenate([q, v, np.zeros((1, 1))], axis=1), 0.01
    before = energy(x)
    for _ in range(60):
        k1 = slope(x)
        k2 = slope(x + h / 2 * k1)
        k3 = slope(x + h / 2 * k2)
        x = x + h / 6 * (k1 + 2 * k2 + 2 * slope(x + h / 2 * k2) + slope(x + h * k3))
    assert abs(x[0, 22]) > 1.0
    assert energy(x) - before == pytest.approx(x[0, 22], rel=2e-3)


def test_lowest_boom_modes_lie_where_they_should() -> None:
    bodies = walker.make_bodies(np.ones(8))
    base = np.array([False, True])
    for load, low, high in ((0.0, 1.5, 4.0), (15000.0, 0.15, 0.35)):
        q = np.zeros((2, 11))
        q[:, 5] = np.deg2rad(60)
        matrix, _ = walker.rigid_terms(q, 0 * q, bodies, base, np.full(2, load))
        for one in matrix[:, walker.FLEX][:, :, walker.FLEX]:
            square = np.linalg.eigvals(np.linalg.solve(one, np.diag(walker.FLEX_K))).real
            assert low < np.sqrt(square.min()) / (2 * np.pi) < high


def hand_made(fault: walker.Fault | None) -> walker.Mission:
    """Return half a minute: free the elbow, turn it at 1.5 deg/s, stop, set the brake."""
    n = 25 * 24
    t = np.arange(n) / 25
    cmd, brake = np.zeros((n, 7)), np.ones((n, 7), bool)
    cmd[:, 3] = np.deg2rad(1.5) * np.clip(np.minimum(t - 2.2, 18 - t), 0, 1)
    brake[(t >= 2) & (t < 20), 3] = False
    enable = ~brake | np.roll(~brake, 6, axis=0)
    pose = np.array([0.2, 0.1, 0.3, 0.9, -0.2, 0.1, 0.0])
    none = np.zeros(n)
    when = datetime(2041, 1, 1)
    return walker.Mission(
        when, n / 1500, 7, cmd, brake, enable, none, none > 0, pose, 15.0, fault=fault
    )


def test_twin_runs_differ_as_the_truth_says(tmp_path) -> None:
    unit = walker.make_unit(2)
    faults = [
        None,
        walker.Fault("friction-step", "large", 3, 250, 600),
        walker.Fault("stall", "small", 3, 250, 300),
        walker.Fault("late-release-lying", "middling", 3, 50, 70),
        walker.Fault("brake-slip", "middling", 5, 250, 350),
        walker.Fault("angle-jump", "small", 3, 250, 300),
    ]
    missions = [hand_made(f) for f in faults]
    runs = walker.simulate(missions, unit)
    said = [walker.readings(m, r, unit) for m, r in zip(missions, runs, strict=True)]
    sound, r0 = said[0], runs[0]
    for one, f in zip(said[1:], faults[1:], strict=True):
        assert np.array_equal(one["angle"][: f.start], sound["angle"][: f.start]), f.cause
        assert np.array_equal(one["current"][: f.start], sound["current"][: f.start]), f.cause
    # the joint does what it is asked
    turned = r0["angle"][-1, 3] - r0["angle"][0, 3]
    assert turned == pytest.approx(missions[0].cmd[:, 3].sum() / 25, abs=5e-3)
    # friction: 60 % of this joint's Coulomb part, at full speed
    more = (runs[1]["current"] - r0["current"])[300:420, 3].mean() * walker.GEAR * unit.kt[3]
    assert more == pytest.approx(0.6 * unit.coulomb[3], rel=0.2)
    # stall: the drive pushes at its limit, and the joint only trembles
    assert runs[2]["current"][270:295, 3].max() == pytest.approx(walker.CURRENT_LIMIT, rel=0.01)
    asked = np.ptp(r0["angle"][275:295, 3])
    assert np.ptp(runs[2]["angle"][275:295, 3]) < 0.1 * asked
    # the word is as usual, and half a second longer nothing moves
    assert np.array_equal(runs[3]["word"], r0["word"])
    assert abs(r0["angle"][65, 3] - 0.9) > np.deg2rad(0.05)
    assert abs(runs[3]["angle"][65, 3] - 0.9) < np.deg2rad(0.01)
    assert abs(runs[3]["angle"][85, 3] - 0.9) > np.deg2rad(0.3)
    # slip and jump, in radians
    assert np.ptp(said[4]["angle"][:, 5]) == pytest.approx(np.deg2rad(0.5), rel=0.1)
    jump = (said[5]["angle"] - sound["angle"])[250:, 3]
    assert np.allclose(jump, 6 * walker.ANGLE_LSB)
    walker.write_log(tmp_path / "one.csv", missions[1], runs[1], unit)
    lines = (tmp_path / "one.csv").read_text().splitlines()
    assert 590 < len(lines) <= 601
    assert {line.count(",") for line in lines} == {44}


def test_campaign_places_every_fault_and_leaves_loads_out_when_asked() -> None:
    missions = walker.campaign(6, 1, 1, 13, 3.0, undeclared=True)
    assert sorted(m.fault.cause for m in missions if m.fault) == sorted(walker.CAUSES)
    assert [m.role for m in missions].count("training") == 1
    assert sum(not m.shown for m in missions) >= 4
    for m in missions:
        entry = walker.truth_of(m, "x.csv")
        assert len(entry["faults"]) == (m.role == "fault")
        assert all(f["start"] < f["end"] for f in entry["faults"])
        assert not m.cmd[m.brake].any()
