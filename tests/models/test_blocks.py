"""The filter: every term of a balance passes the same one; pieces come out as the whole."""

import numpy as np
import pytest

from replay.archive import open_archive
from replay.models import condense, fit, residuals_of
from replay.models.grid import condensing as made
from replay.models.residuals import HELD, SLIDING
from tests.checks.sessions import add, bench


@pytest.fixture
def archive(tmp_path):
    return open_archive(tmp_path, create=True)


def swing(seed, hz=10.0, amplitude_a=2.0):
    """A joint whose current is its acceleration times 0.3, nothing else."""
    columns = bench(seed, hz=hz, brakes=False, heat=False)
    t = columns["t"]
    for joint in ("P1", "P2"):
        angle = 20 * np.sin(0.5 * t) + 5 * np.sin(1.3 * t + 1)
        accel = -20 * 0.25 * np.sin(0.5 * t) - 5 * 1.69 * np.sin(1.3 * t + 1)
        columns[joint] |= {"angle_deg": angle, "current_a": 0.3 * accel}
    return columns


def test_acceleration_and_current_pass_the_same_filter(archive):
    add(archive, "swing", swing(0))
    for filter_s in (0.25, 0.7):
        mine = condense(archive, "swing", filter_s=filter_s).joints["P1"]
        ok = np.isfinite(mine.accel_deg_s2) & np.isfinite(mine.current_a)
        assert ok.sum() > 1500
        np.testing.assert_allclose(
            0.3 * mine.accel_deg_s2[ok], mine.current_a[ok], atol=0.004 * 0.3 * 13
        )


def test_pieces_come_out_as_the_whole(archive, monkeypatch):
    add(archive, "long", bench(4, minutes=8.0))
    whole = condense(archive, "long", filter_s=0.35)
    monkeypatch.setattr(made, "PIECE_S", 130.0)
    parts = condense(archive, "long", filter_s=0.35)
    np.testing.assert_array_equal(whole.time_ns, parts.time_ns)
    for name in ("current_a", "angle_deg", "accel_deg_s2", "state", "lead_deg"):
        one = getattr(whole.joints["P1"], name).astype(float)
        other = getattr(parts.joints["P1"], name).astype(float)
        same = np.isclose(one, other, atol=1e-6, equal_nan=True)
        assert same.mean() > 0.995, name


def test_states_follow_brake_and_motion(archive):
    columns = bench(5)
    add(archive, "s", columns)
    mine = condense(archive, "s").joints["P1"]
    assert (mine.state == HELD).mean() > 0.1
    sliding = mine.state == SLIDING
    assert np.abs(mine.rate_deg_s[sliding]).min() > 0.01
    assert np.nanmax(np.abs(mine.rate_deg_s[mine.state == HELD])) < 0.05


def test_a_hole_in_the_log_is_no_motion(archive):
    columns = bench(6)
    for joint in ("P1", "P2"):
        columns[joint]["angle_deg"][900:960] = np.nan
        columns[joint]["current_a"][900:960] = np.nan
    add(archive, "hole", columns)
    found = condense(archive, "hole")
    inside = (found.t_s > 90.5) & (found.t_s < 95.5)
    assert np.isnan(found.joints["P1"].accel_deg_s2[inside]).all()
    assert not (found.joints["P1"].state[inside] == SLIDING).any()


def test_a_faulty_session_in_training_does_not_become_normal(archive):
    names = []
    for k in range(10):
        columns = bench(k)
        if k == 4:
            rubbing = 1.5 * np.sign(columns["P1"]["_rate"]) * columns["P1"]["_moving"]
            columns["P1"]["current_a"] = columns["P1"]["current_a"] + rubbing
        names.append(add(archive, f"s{k}", columns, day=k))
    training = fit(archive, names)
    assert training.set_aside == {"S-1": ("s4",)}
    found = residuals_of(
        training.model, condense(archive, "s4", filter_s=training.model.filter_s)
    ).joints["P1"]
    ok = found.plant.ok
    extra = found.plant.value[ok] * np.sign(found.rate_deg_s[ok])
    assert np.median(extra) == pytest.approx(1.5, abs=0.1)
    sd = np.sqrt(found.plant.variance[ok] + found.plant.doubt_a[ok] ** 2)
    assert np.median(extra / sd) > 10
