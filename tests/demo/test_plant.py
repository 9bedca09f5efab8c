"""What the demo's joints do, where theory says what they must do."""

import numpy as np
import pytest

from replay.demo import heron
from replay.demo.hardware import Rack, draw_unit
from replay.demo.manoeuvres import Schedule
from replay.demo.plant import Conditions, respond

DT = 0.01
RELEASE_S, MOVE_S, STOP_S, ENGAGE_S, END_S = 2.0, 5.0, 65.0, 90.0, 95.0


def rack() -> Rack:
    return Rack([draw_unit(4, s) for s in heron.FIRST_SERIALS])


def conditions(temperature_c: float = 20.0) -> Conditions:
    j = heron.JOINTS
    return Conditions(
        ambient_c=np.full(j, temperature_c),
        orbit_swing_c=np.zeros(j),
        orbit_phase=0.0,
        friction_share=np.ones(j),
        flex_hz=0.4,
        flex_share=0.0,
        flex_damping=0.1,
        holding_fade_s=np.full(j, 10.0),
        already_warm_c=np.zeros(j),
    )


def last_joint_turns(rate_deg_s: float) -> Schedule:
    """The last roll joint alone: a body turning about its own axis asks no torque."""
    t = np.arange(0.0, END_S, DT)
    command = np.zeros((t.size, heron.JOINTS))
    ramp = np.clip(np.minimum((t - MOVE_S) / 5.0, (STOP_S - t) / 5.0), 0.0, 1.0)
    command[:, 6] = rate_deg_s * ramp
    engage = np.ones((t.size, heron.JOINTS), dtype=bool)
    engage[(t >= RELEASE_S) & (t < ENGAGE_S)] = False
    return Schedule(
        dt=DT,
        t=t,
        rate_cmd=command,
        engage_cmd=engage,
        base_b=np.zeros(t.size, dtype=bool),
        payload_kg=np.zeros(t.size),
        phase=np.full(t.size, "scripted", dtype="<U10"),
        start_deg=np.zeros(heron.JOINTS),
    )


@pytest.mark.parametrize("rate_deg_s", [2.5, -2.5])
def test_steady_current_is_coulomb_plus_film(rate_deg_s):
    """The bristle model must meet the static curve at steady speed.

    Source: Canudas de Wit, Olsson, Astrom, Lischinsky, IEEE TAC 40(3), 1995.
    """
    units = rack()
    out = respond(last_joint_turns(rate_deg_s), units, conditions())
    t = np.arange(0.0, END_S, DT)
    steady = (t > 20.0) & (t < 55.0)
    unit = units.units[6]
    coulomb = unit.coulomb_forward_a if rate_deg_s > 0 else unit.coulomb_reverse_a
    warmth = out.temperature_c[steady, 6].mean() - 20.0
    film = unit.film_a * 2.5**unit.film_power * np.exp(-warmth / unit.film_fading_c)
    expected = (coulomb * (1 - unit.seal_per_c * warmth) + film) / unit.torque_constant_share
    # Ripple averages out over the 87 deg of the steady stretch, near enough.
    assert np.abs(out.current_a[steady, 6]).mean() == pytest.approx(expected, rel=0.03)
    assert np.sign(out.current_a[steady, 6].mean()) == np.sign(rate_deg_s)


def test_warmth_lowers_friction_at_speed_and_raises_it_at_a_crawl():
    """The shape published for an industrial robot joint: curves of two temperatures cross.

    Source: Bittencourt, Wernholt, Sander-Tavallaey, Brogardh, IROS 2010.
    """
    units = rack()

    def steady(rate: float, temperature: float) -> float:
        out = respond(last_joint_turns(rate), units, conditions(temperature))
        t = np.arange(0.0, END_S, DT)
        return float(np.abs(out.current_a[(t > 20.0) & (t < 55.0), 6]).mean())

    assert steady(3.5, 35.0) < steady(3.5, 5.0)
    crawl = units["lubrication_rate_deg_s"][6] * 0.8
    fall_fast = steady(3.5, 5.0) - steady(3.5, 35.0)
    fall_slow = steady(crawl, 5.0) - steady(crawl, 35.0)
    assert fall_slow < 0.5 * fall_fast


def test_a_closed_brake_holds_and_takes_the_current_away():
    out = respond(last_joint_turns(2.0), rack(), conditions())
    assert np.abs(out.rate_deg_s[out.engaged]).max() == 0.0
    t = np.arange(0.0, END_S, DT)
    assert np.abs(out.current_a[t > ENGAGE_S + 0.5]).max() == 0.0
    assert np.abs(out.current_a[t < RELEASE_S]).max() == 0.0


def test_brakes_follow_their_commands_after_their_delays():
    units = rack()
    schedule = last_joint_turns(2.0)
    out = respond(schedule, units, conditions())
    assert len(out.releases) == heron.JOINTS
    for joint, number, asked, freed in out.releases:
        assert number == 0
        assert asked == pytest.approx(RELEASE_S, abs=DT)
        # Releases scatter by 6 %, and everything happens on the grid.
        nominal = units["release_delay_s"][joint]
        assert abs(freed - asked - nominal) <= 0.06 * nominal + DT
        closed = np.flatnonzero(out.engaged[:, joint] & (schedule.t > ENGAGE_S))[0] * DT
        nominal = units["engage_delay_s"][joint]
        assert abs(closed - ENGAGE_S - nominal) <= 0.06 * nominal + DT


def test_the_joint_goes_where_the_command_sends_it():
    out = respond(last_joint_turns(2.0), rack(), conditions())
    # Trapezoid: 60 s long with 5 s ramps at 2 deg/s.
    assert out.angle_deg[-1, 6] == pytest.approx(2.0 * 55.0, rel=0.002)
    # The others wind up in their gears a little, no more.
    assert np.abs(out.angle_deg[:, :6]).max() < 0.01


def test_the_output_lags_the_motor_by_the_play_when_it_turns_back():
    """Lost motion at a reversal: motor travel less output travel, 20 s after it."""
    units = rack()
    schedule = last_joint_turns(2.0)
    t = schedule.t
    schedule.rate_cmd[:, 6] = np.where(t < 35.0, 2.0, -2.0) * np.clip(
        np.minimum((t - MOVE_S) / 5.0, (STOP_S - t) / 5.0), 0.0, 1.0
    )
    out = respond(schedule, units, conditions())
    lag = np.cumsum(out.rate_deg_s[:, 6]) * DT - out.angle_deg[:, 6]
    before, after = (np.median(lag[(t > a) & (t < a + 5.0)]) for a in (25.0, 50.0))
    assert before - after == pytest.approx(units["play_deg"][6], rel=0.25)


def test_a_motor_that_works_gets_warm():
    still = respond(last_joint_turns(0.0), rack(), conditions())
    busy = respond(last_joint_turns(3.0), rack(), conditions())
    at = int(STOP_S / DT)
    assert still.temperature_c[at, 6] == pytest.approx(20.0, abs=1e-6)
    assert busy.temperature_c[at, 6] > 20.05
