"""The quay handler's own physics: power balance, both ends, faults against a twin, a short log."""

from __future__ import annotations

import copy
import json

import numpy as np
import pytest

from replay.arm.loads import loads
from replay.arm.reading import load_arm
from tests.plants import quay_handler as quay

EXCITED = np.random.default_rng(4)
Q, V, A = EXCITED.uniform(-1.2, 1.2, (3, 6, 7))
LOAD = EXCITED.uniform(0.0, 9.0, 6)


def _energy(chain, q, v):
    matrix, _, _, _, height = quay.rigid(chain, q, v, LOAD)
    mass = np.hstack([chain.mass[:, :7], LOAD[:, None]])
    return 0.5 * np.einsum("si,sij,sj->s", v, matrix, v) + quay.G * np.sum(mass * height, axis=1)


def test_power_in_is_energy_gained():
    chain = quay.chains("AABBAB", quay.MASS)
    matrix, coriolis, bare, per_kg, _ = quay.rigid(chain, Q, V, LOAD)
    torque = (matrix @ A[..., None])[..., 0] + coriolis + bare + per_kg * LOAD[:, None]
    h = 1e-5
    later = _energy(chain, Q + h * V + 0.5 * h * h * A, V + h * A)
    sooner = _energy(chain, Q - h * V + 0.5 * h * h * A, V - h * A)
    power = np.sum(torque * V, axis=1)
    assert (later - sooner) / (2 * h) == pytest.approx(power, rel=1e-6)
    assert np.abs(np.sum(coriolis * V, axis=1)).min() > 1.0  # the Coriolis part is put to the test


@pytest.mark.parametrize("base", ["A", "B"])
def test_the_arm_file_says_the_same_arm_from_either_end(base):
    """Torques of the file's reader agree with this file's own, with the nominal masses."""
    chain = quay.chains(base * 6, quay.MASS)
    flip = slice(None) if base == "A" else slice(None, None, -1)
    arm = load_arm(quay.arm_text())
    matrix, coriolis, bare, per_kg, _ = quay.rigid(chain, Q[:, flip], V[:, flip], LOAD)
    own = (matrix @ A[:, flip, None])[..., 0] + coriolis + bare + per_kg * LOAD[:, None]
    turned = np.degrees([Q, V, A])
    read = loads(arm, *turned, base=base, payload_kg=LOAD).torque_nm
    np.testing.assert_allclose(own[:, flip], read, rtol=1e-4, atol=1e-2)


@pytest.fixture(scope="module")
def twins():
    """Short sessions with three faults of the same joint, and their twin without."""
    plan = quay.plan_session([11, 0], "B", True, 0.3, False)
    ticks = len(plan.load)
    clock = np.arange(ticks) * quay.TICK
    joint = 3
    plan.ask_free[:] = False
    plan.ask_free[150:750, joint] = True
    way = np.interp(clock, [4, 14], [0, 10]) * quay.DEG
    plan.setpoint[:] = plan.setpoint[0]
    plan.setpoint[:ticks, joint] += way
    plan.setpoint[ticks, joint] = plan.setpoint[ticks - 1, joint]
    told = {
        "friction-step": (8.0, 18.0, 0.6, {"coulomb": 0.6 * (clock >= 8)}),
        "brake-slip": (15.5, 17.5, 0.5, {"slip": 0.25 * quay.DEG * (np.abs(clock - 16.5) < 1)}),
        "late-release": (3.0, 3.7, 0.6, {}),
        "late-release-lying": (3.0, 4.1, 1.0, {}),
    }
    runs = {"none": plan}
    for cause, (start, end, amount, series) in told.items():
        runs[cause] = copy.copy(plan)
        runs[cause].fault = quay.Fault(cause, "large", joint, start, end, amount, 1, series)
    tapes = quay.simulate(quay.true_arm(2), list(runs.values()))
    return plan, joint, dict(zip(runs, tapes, strict=True))


def _at(tape, quantity, joint, start, end):
    return getattr(tape, quantity)[round(start * 25) : round(end * 25), joint]


def test_added_friction_costs_its_current(twins):
    _, joint, tapes = twins
    healthy, faulty = (tapes[k] for k in ("none", "friction-step"))
    np.testing.assert_array_equal(
        _at(healthy, "current", joint, 0, 8), _at(faulty, "current", joint, 0, 8)
    )
    more = np.mean(_at(faulty, "current", joint, 9, 13) - _at(healthy, "current", joint, 9, 13))
    arm = quay.true_arm(2)
    warm = healthy.housing[250, joint] - 20
    asked = 0.6 * arm.coulomb[joint] * np.exp(-0.006 * warm)
    asked /= quay.GEAR[joint] * arm.kt[joint] * (1 - 0.0012 * warm)
    assert more == pytest.approx(asked, rel=0.12)


def test_a_slip_moves_the_held_joint_and_nothing_else_does(twins):
    _, joint, tapes = twins
    healthy, faulty = (tapes[k] for k in ("none", "brake-slip"))
    held = _at(healthy, "angle", joint, 15.2, 18)
    assert np.ptp(held) == 0.0
    slipped = np.ptp(_at(faulty, "angle", joint, 15.2, 18)) / quay.DEG
    assert slipped == pytest.approx(0.5, rel=0.02)
    assert not _at(faulty, "word_free", joint, 15.2, 18).any()


def test_a_late_brake_and_a_lying_one(twins):
    _, joint, tapes = twins
    word = {k: np.argmax(t.word_free[:, joint]) / 25 for k, t in tapes.items()}
    assert word["late-release"] - word["none"] == pytest.approx(0.6, abs=0.05)
    assert word["late-release-lying"] == word["none"]
    first = {
        k: np.argmax(np.abs(t.angle[:, joint] - t.angle[0, joint]) > 1e-6) / 25
        for k, t in tapes.items()
    }
    assert first["late-release-lying"] - word["late-release-lying"] == pytest.approx(1.0, abs=0.09)


def test_a_short_campaign_writes_logs_and_truth(tmp_path):
    plans = quay.make_plans(5, 1, 0, 0, 0.3)
    quay.write_campaign(tmp_path, 5, plans)
    (told,) = json.loads((tmp_path / "truth.json").read_text())["sessions"]
    rows = (tmp_path / "logs" / told["file"]).read_text().splitlines()
    assert told["role"] == "training"
    assert len(rows) == 1 + 0.3 * 60 * 25
    assert {row.count(";") for row in rows} == {rows[0].count(";")}
    stamps = np.array([int(row.split(";")[0]) for row in rows[1:]])
    assert np.all(np.diff(stamps) > 0)
    assert np.std(np.diff(stamps)) > 1.0  # ms: the stamps jitter
