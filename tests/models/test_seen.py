"""What training covered: a speed that was only passed through is not one that was run at."""

import numpy as np
import polars as pl
import pytest

from replay.models.bins import MOVING, bin_table, join_bins
from replay.models.expected import ExpectedCurrent
from replay.units import JOINT_TABLE

HZ = 10.0


def moves(seed, *, speed=(0.8, 3.0), load=0.0, minutes=4.0):
    """Return a joint table of moves back and forth, each ramped in 1.5 s.

    Friction falls from rest over 0.1 deg/s, faster than any block of the fit.
    """
    rng = np.random.default_rng(seed)
    t = np.arange(int(minutes * 60 * HZ)) / HZ
    phase, number = t % 30.0, (t // 30.0).astype(int)
    top = rng.uniform(*speed, number.max() + 1)[number] * np.where(number % 2, -1.0, 1.0)
    rate = top * np.clip(np.minimum(phase - 5.0, 25.0 - phase) / 1.5, 0.0, 1.0)
    torque = load * np.cos(t / 7.0)
    friction = np.sign(rate) * (1.0 + 0.2 * np.abs(rate) + 0.6 * np.exp(-np.abs(rate) / 0.1))
    current = np.where(rate != 0, friction, 0.0) + 0.02 * torque + rng.normal(0, 0.03, t.size)
    given = {
        "t_s": t,
        "angle_deg": np.cumsum(rate) / HZ,
        "rate_deg_s": rate,
        "rate_cmd_deg_s": rate,
        "accel_deg_s2": np.gradient(rate) * HZ,
        "current_a": current,
        "load_nm": torque,
        "motion": np.where(rate != 0, "moving", "holding"),
        "direction": np.sign(rate).astype(np.int64),
    }
    columns = {}
    for name, kind in JOINT_TABLE.items():
        value = pl.Series(name, given[name]) if name in given else pl.Series(name, [None] * t.size)
        columns[name] = value.cast(kind) if name != "time" else value
    return pl.DataFrame(columns)


def fitted(*tables):
    parts = [bin_table(table) for table in tables]
    group = np.concatenate([np.full(len(p), k) for k, p in enumerate(parts)])
    return ExpectedCurrent().fit(join_bins(parts), group)


def share_seen(model, table):
    """Return the share of settled moving bins that count as seen."""
    bins = bin_table(table)
    running = (bins.motion == MOVING) & (bins.settled > 3.0)
    assert running.sum() > 100
    return float(model.seen(bins)[running].mean())


def test_a_speed_only_passed_in_ramps_is_not_seen():
    usual = [moves(k) for k in range(6)]
    slow = moves(50, speed=(0.02, 0.09))
    assert share_seen(fitted(*usual), slow) == 0.0
    assert share_seen(fitted(*usual), moves(51)) > 0.99


def test_one_odd_session_does_not_make_its_speed_seen_and_two_do():
    usual = [moves(k) for k in range(6)]
    slow = [moves(60 + k, speed=(0.05, 0.09)) for k in range(3)]
    assert share_seen(fitted(*usual, slow[0]), slow[2]) == 0.0
    assert share_seen(fitted(*usual, *slow[:2]), slow[2]) > 0.99


def test_of_two_or_three_sessions_each_one_counts():
    assert share_seen(fitted(moves(0), moves(1, speed=(0.05, 0.09))), moves(2)) > 0.99


@pytest.mark.parametrize("place", [0, 3, 7])
def test_a_load_that_one_session_had_is_learned_from_it(place):
    tables = [moves(k, load=60.0 if k == place else 0.0) for k in range(8)]
    model = fitted(*tables)
    assert "load" in model.populations_[MOVING].blocks
    bins = bin_table(moves(70, load=55.0))
    expected, _, seen = model.predict(bins)
    running = seen & (bins.motion == MOVING) & (bins.settled > 2.0)
    rest = bins.current - expected
    assert running.sum() > 50
    slope = np.polyfit(bins.load[running], rest[running], 1)[0]
    assert abs(slope) < 0.004  # of 0.02 A/Nm that the load takes
