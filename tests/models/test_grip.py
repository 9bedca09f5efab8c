"""Where a payload's mass centre is: by lever arms, what a session tells, what it must not."""

from dataclasses import replace

import numpy as np
import pinocchio as pin
import pytest

from replay.models.loading.grip import (
    Carry,
    Witness,
    carries,
    gripped,
    offsets,
    said,
)
from replay.models.loading.grip_spread import Spread, usual_spread
from replay.models.loading.loads import Loads, moments_per_kg
from replay.models.loading.payload import Payloads
from replay.models.residuals import Residual
from tests.arm.makers import random_arm, twin

JOINTS = tuple("abcdefg")
AMPERE = 0.02
"""Ampere a newton metre of every joint here."""

NOISE_A = 0.05
KG = 25.0
N = 1500


def loads_of(rng):
    """Return made-up levers: smooth ways of what a kilogram asks for here and a metre off."""
    t = np.arange(N) / N

    def way():
        return 9.8 * sum(
            rng.normal() * np.sin(2 * np.pi * k * t + rng.uniform(0, 6)) for k in (1, 2, 3)
        )

    nothing = {j: np.zeros(N) for j in JOINTS}
    return Loads(
        nothing,
        {j: way() for j in JOINTS},
        "arm file",
        nothing,
        nothing,
        {j: np.stack([way(), way(), way()], axis=1) for j in JOINTS},
    )


def witnesses_of(rng, loads, off_m, share=0.0, drag_a=0.0):
    """Return what joints show where the payload is off by so much; the first one may drag."""
    made = []
    for k, joint in enumerate(JOINTS):
        asks = KG * AMPERE * (loads.per_moment[joint] @ off_m + share * loads.per_kg[joint])
        drag = drag_a * np.sign(np.sin(np.arange(N) / 40)) if k == 0 else 0.0
        value = asks + drag + rng.normal(0, NOISE_A, N)
        fine = Residual(value, np.full(N, NOISE_A**2), np.zeros(N), np.ones(N, dtype=bool))
        made.append(Witness(joint, fine, AMPERE))
    return made


USUAL = Spread(0.02, 0.0, 0.025)
OFF_M = np.array([0.021, -0.013, 0.008])


def reference(arm, base, kg, angle_deg, rate_deg_s, accel_deg_s2):
    """Return joint torques by the reference library, joints from end A."""
    model, _ = twin(arm, base, kg, np.array(arm.gravity_m_s2))
    way = slice(None) if base == "A" else slice(None, None, -1)
    state = (np.radians(v[way]) for v in (angle_deg, rate_deg_s, accel_deg_s2))
    return pin.rnea(model, model.createData(), *state)[way]


@pytest.mark.parametrize("base", ["A", "B"])
def test_what_a_metre_off_asks_for_is_the_reference_librarys(base):
    rng = np.random.default_rng(6)
    arm, kg, off_m = random_arm(rng), 3.0, np.array([0.04, -0.02, 0.03])
    angle, rate, accel = (rng.normal(0, s, (5, 7)) for s in (60.0, 10.0, 10.0))
    moment = moments_per_kg(arm, angle, rate, accel, base)
    side = [
        np.array(
            [
                reference(replace(arm, payload_centre_m=tuple(centre)), base, kg, *row)
                for row in zip(angle, rate, accel, strict=True)
            ]
        )
        for centre in (arm.payload_centre_m + off_m, arm.payload_centre_m - off_m)
    ]
    # squares of the offset are the same on both sides
    assert 2 * kg * (moment @ off_m) == pytest.approx(side[0] - side[1], rel=1e-6, abs=1e-8)


def test_an_offset_comes_back_within_its_doubt():
    hits = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        loads = loads_of(rng)
        [(found, covariance)] = offsets(
            [Carry(0, N, KG)], witnesses_of(rng, loads, OFF_M), loads, USUAL
        )
        hits.append(np.abs(found[:3] - OFF_M) < 2 * np.sqrt(np.diag(covariance)[:3]))
        assert abs(found[3]) < 0.02
    assert np.mean(hits) > 0.95


def test_a_wrong_mass_passes_for_no_grip_and_is_told():
    rng = np.random.default_rng(1)
    loads = loads_of(rng)
    seen = witnesses_of(rng, loads, np.zeros(3), share=0.4)
    [(found, _)] = offsets([Carry(0, N, KG)], seen, loads, USUAL)
    assert np.abs(found[:3]).max() < 0.003
    assert found[3] == pytest.approx(0.4, abs=0.02)
    payload = Payloads(np.full(N, KG), np.zeros(N), True)
    told = gripped(loads, payload, seen, USUAL)
    assert np.median(told.mass_off_kg) == pytest.approx(0.4 * KG, rel=0.05)


def test_one_joints_fault_is_neither_grip_nor_mass():
    rng = np.random.default_rng(2)
    loads = loads_of(rng)
    seen = witnesses_of(rng, loads, np.zeros(3), drag_a=1.0)
    one = seen[0]
    gain = replace(one.residual, value=one.residual.value + 0.4 * KG * AMPERE * loads.per_kg["a"])
    seen[0] = replace(one, residual=gain)
    [(found, _)] = offsets([Carry(0, N, KG)], seen, loads, USUAL)
    assert np.abs(found[:3]).max() < 0.006
    assert abs(found[3]) < 0.03
    kept = said(Carry(0, N, KG), seen, loads)
    assert not kept.wrong_mass(USUAL)


def test_training_tells_how_far_grips_are_off_by_session_and_by_carry():
    rng = np.random.default_rng(3)

    def training(session_m, carry_m):
        made = []
        for _ in range(12):
            common = rng.normal(0, session_m, 3) if session_m else np.zeros(3)
            own = [common + rng.normal(0, carry_m, 3) * (carry_m > 0) for _ in range(4)]
            doubt = [np.diag(rng.uniform(0.001, 0.004, 4) ** 2) for _ in own]
            made.append(
                [
                    (rng.multivariate_normal([*o, 0.0], p), p)
                    for o, p in zip(own, doubt, strict=True)
                ]
            )
        return made

    by_session = usual_spread(training(0.02, 0.0))
    assert 0.012 < by_session.session_m < 0.033
    assert by_session.carry_m < 0.003
    by_carry = usual_spread(training(0.0, 0.02))
    assert 0.012 < by_carry.carry_m < 0.033
    assert by_carry.session_m < 0.008
    assert usual_spread(training(0.0, 0.0)).whole_m == 0.0
    assert usual_spread(training(0.02, 0.0)[:1][:0]) == Spread()


def test_a_carry_lasts_while_one_mass_is_carried():
    mass = np.concatenate([np.zeros(100), np.full(200, 8.0), np.full(20, 9.0), np.full(80, 3.0)])
    found = carries(Payloads(mass, np.zeros(mass.size), True))
    assert found == [Carry(100, 300, 8.0), Carry(320, 400, 3.0)]


def test_with_what_is_found_nothing_of_the_grip_is_left():
    rng = np.random.default_rng(4)
    loads = loads_of(rng)
    seen = witnesses_of(rng, loads, OFF_M)
    told = gripped(loads, Payloads(np.full(N, KG), np.zeros(N), True), seen, USUAL)
    for one in seen:
        left = one.residual.value - AMPERE * (told.bare[one.joint] - loads.bare[one.joint])
        assert np.std(left) == pytest.approx(NOISE_A, rel=0.1)
        assert (told.doubt[one.joint] > 0).all()


def test_what_training_tells_of_grips_is_said_in_millimetres_only_where_there_is_a_scale():
    told = Spread(0.021, 0.001, 0.025).words("arm file")
    assert "about 21 mm (an axis)" in told
    assert "from session to session" in told
    assert "from carry to carry" in Spread(0.001, 0.021, 0.025).words("arm file")
    assert "mm" not in Spread(3.0, 0.0, 0.025).words("identified")
    assert Spread(0.0, 0.0, 0.025).words("arm file") == ""
