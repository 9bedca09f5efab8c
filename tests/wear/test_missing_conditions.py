"""What a session did not log is told by its neighbours, and what is left open is counted."""

import numpy as np
import pytest

from replay.wear.histories.missing_conditions import filled


def months(seed, lost_share=0.2):
    """Return times, temperatures that stay for a month's work, and which are lost."""
    rng = np.random.default_rng(seed)
    t = np.sort(rng.uniform(0, 2, 120))
    month = (t * 12).astype(int)
    own = rng.normal(0, 4, 25)[month]
    warm = 15 + 5 * np.sin(2 * np.pi * t) + own + rng.normal(0, 1, 120)
    return t, warm, rng.random(120) < lost_share, rng


def test_a_lost_temperature_is_that_of_its_neighbours():
    far, claimed, usual = [], [], []
    for seed in range(12):
        t, warm, lost, rng = months(seed)
        values = 1 - 0.01 * warm + 0.02 * rng.normal(size=120)
        whole, unsure = filled(t, values, {"temperature_c": np.where(lost, np.nan, warm)})
        far.append(np.mean((whole["temperature_c"] - warm)[lost] ** 2))
        usual.append(np.mean((np.median(warm[~lost]) - warm)[lost] ** 2))
        claimed.append(np.mean(unsure[lost]) / 0.01**2)
        assert not unsure[~lost].any()
        assert np.array_equal(whole["temperature_c"][~lost], warm[~lost])
    assert np.mean(far) < 0.35 * np.mean(usual)
    assert np.mean(claimed) == pytest.approx(np.mean(far), rel=0.5)


def test_what_was_logged_in_few_sessions_is_not_invented():
    t, warm, _, _ = months(0)
    raw = np.where(np.arange(120) < 50, warm, np.nan)
    whole, unsure = filled(t, warm, {"temperature_c": raw})
    assert np.array_equal(whole["temperature_c"], raw, equal_nan=True)
    assert not unsure.any()
