"""A brake that lets go later every month, logged at 50 Hz: the truth is plain numbers."""

from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from conftest import BEGIN, add

from replay.archive import open_archive
from replay.wear import indicators, trends

HZ, SESSIONS, RELEASES, PERIOD_S = 50.0, 24, 3, 6.0
START_S, GROWTH_S_YEAR = 0.060, 0.080


def session_frame(start, delay_s, seed):
    """Return a minute in which the brake is released ten times, ``delay_s`` after the command."""
    rng = np.random.default_rng(seed)
    n = int(RELEASES * PERIOD_S * HZ)
    t = np.arange(n) / HZ
    asked = (np.arange(RELEASES) + 0.2) * PERIOD_S + rng.uniform(0, 1 / HZ, RELEASES)
    let_go = asked + delay_s + rng.normal(0, 0.004, RELEASES)
    engaged_at = (np.arange(RELEASES) + 0.9) * PERIOD_S
    command, word, wanted, rate = np.ones(n, bool), np.ones(n, bool), np.zeros(n), np.zeros(n)
    for k in range(RELEASES):
        command[(t >= asked[k]) & (t < engaged_at[k])] = False
        word[(t >= let_go[k]) & (t < engaged_at[k] + 0.05)] = False
        until = (t < engaged_at[k] - 0.5) * (1.0 if k % 2 else -1.0)
        wanted += until * 3.0 * (t >= asked[k]) * (t >= k * PERIOD_S)
        # the hand asks for motion at once; the joint follows when it is let go
        rate += until * 3.0 * np.clip((t - let_go[k]) / 0.3, 0, 1) * (t >= k * PERIOD_S)
    current = np.sign(rate) * (rate != 0) + 0.02 * rng.normal(size=n)
    time = pl.Series([start], dtype=pl.Datetime("ns", "UTC")).new_from_index(0, n)
    return pl.DataFrame(
        {
            "time": time + pl.Series((t * 1e9).round().astype(np.int64)).cast(pl.Duration("ns")),
            "J1.angle_deg": np.cumsum(rate) / HZ,
            "J1.rate_deg_s": rate + 0.005 * rng.normal(size=n),
            "J1.rate_cmd_deg_s": wanted,
            "J1.current_a": current,
            "J1.brake_engaged": word,
            "J1.brake_engage_cmd": command,
        }
    )


@pytest.fixture(scope="module")
def year(tmp_path_factory):
    archive = open_archive(tmp_path_factory.mktemp("brake") / "archive", create=True)
    for k in range(SESSIONS):
        share = k / (SESSIONS - 1)
        start = BEGIN + timedelta(days=365.25 * share)
        frame = session_frame(start, START_S + GROWTH_S_YEAR * share, k)
        add(archive, k, frame, units={"J1": "TU-101"}, start=start)
    table = indicators(archive)
    return table, {t.indicator: t for t in trends(archive)}


def test_every_release_counts_with_its_bracket(year):
    table, _ = year
    rows = table.filter(pl.col("indicator") == "brake release answer").sort("start")
    assert rows["bracket_low"].list.len().to_list() == [RELEASES] * SESSIONS
    for k, row in enumerate(rows.iter_rows(named=True)):
        true = START_S + GROWTH_S_YEAR * k / (SESSIONS - 1)
        assert max(row["bracket_low"]) - 0.015 <= true <= min(row["bracket_high"]) + 0.015
        assert abs(row["value"] - true) < 4 * row["se"]


@pytest.mark.parametrize("name", ["brake release answer", "brake release delay"])
def test_a_release_that_grows_is_called_with_its_slope(year, name):
    found = year[1][name]
    assert found.result == "rising"
    assert found.slope_low <= GROWTH_S_YEAR <= found.slope_high
    assert found.slope_high - found.slope_low < 0.03


def test_an_answer_that_does_not_change_is_steady(year):
    found = year[1]["brake engagement answer"]
    assert found.result == "steady"
    assert found.slope_low <= 0.0 <= found.slope_high
