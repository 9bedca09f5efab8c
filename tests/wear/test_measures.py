"""What single sessions give, on motions whose truth is plain numbers."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from conftest import BEGIN, add, motion_frame

from replay.archive import open_archive
from replay.wear import indicators, trends

ARM = """
[arm]
name = "Heron"
[[joints]]
name = "J1"
serial = "TU-101"
current_limit_a = 9.0
ripple_orders = [12.0]
"""


def measured(folder, frames, **more):
    archive = open_archive(folder / "archive", create=True)
    for k, frame in enumerate(frames):
        start = frame["time"][0].astimezone(UTC)
        add(archive, k, frame, units={"J1": "TU-101"}, start=start, **more)
    return indicators(archive)


def by_name(table):
    return {r["indicator"]: r for r in table.iter_rows(named=True)}


def one_joint(seed, coulomb=1.0, viscous=0.1, day=0, **more):
    return motion_frame(
        BEGIN + timedelta(days=day), joints={"J1": (coulomb, viscous, 4.0)}, seed=seed, **more
    )


def test_friction_of_each_session_is_told_apart(tmp_path):
    table = measured(tmp_path, [one_joint(k, coulomb=c, day=k) for k, c in enumerate([1.0, 1.3])])
    values = table.filter(pl.col("indicator") == "coulomb friction").sort("start")
    assert values["value"].to_list() == pytest.approx([1.0, 1.3], abs=0.04)
    assert (values["se"] < 0.05).all()


def test_directions_keep_their_own_friction(tmp_path):
    frame = one_joint(1).with_columns(
        (pl.col("J1.current_a") + 0.2).alias("J1.current_a")  # a lean of the whole session
    )
    rows = by_name(measured(tmp_path, [frame]))
    assert rows["direction asymmetry"]["value"] == pytest.approx(0.4, abs=0.05)
    assert rows["coulomb friction"]["value"] == pytest.approx(1.0, abs=0.05)


def test_ripple_is_found_at_its_order(tmp_path):
    # One long slow sweep to and fro: 12 cycles a turn are 30 degrees a cycle.
    frame = one_joint(2, rate_hz=20.0, seconds=600.0)
    t = np.arange(frame.height) / 20.0
    rng = np.random.default_rng(1)
    speed = np.clip(np.minimum(t % 60, 55 - t % 60), 0, 1) * (3.0 - 0.3 * (t // 60 % 3))
    rate = np.where((t // 60) % 2, -1, 1) * speed
    angle = np.cumsum(rate) / 20.0
    noise = rng.normal(0, 0.02, len(t))
    ripple = 0.15 * np.cos(np.radians(12 * angle) + 0.4)
    frame = frame.with_columns(
        pl.Series("J1.rate_deg_s", rate + rng.normal(0, 0.005, len(t))),
        pl.Series("J1.angle_deg", angle),
        pl.Series("J1.current_a", np.sign(rate) + ripple * (rate != 0) + noise),
    )
    rows = by_name(measured(tmp_path, [frame], arm_toml=ARM))
    found = rows["ripple at 12 per turn"]
    assert found["value"] == pytest.approx(0.15, abs=0.02)
    assert 0 < found["se"] < 0.02


def test_margin_follows_the_rule_and_falls_with_friction(tmp_path):
    frames = [one_joint(k, coulomb=c, day=k) for k, c in enumerate([1.0, 1.5])]
    table = measured(tmp_path, frames, arm_toml=ARM)
    friction = table.filter(pl.col("indicator") == "friction at usual rate").sort("start")
    margins = table.filter(pl.col("indicator") == "margin left").sort("start")
    # ECSS-E-ST-33-01C (2009), 4.7.5.3: twice the measured friction times 1.5, and
    # 1.25 times what acceleration takes, which here is a few hundredths of an ampere.
    for needed, got in zip(2 * 1.5 * friction["value"], margins["value"], strict=True):
        assert got == pytest.approx(100 * (9.0 / needed - 1), rel=0.12)
        assert got < 100 * (9.0 / needed - 1)
    assert margins["value"][1] < margins["value"][0] - 50


def test_brake_measures_need_brake_words(tmp_path):
    without = measured(tmp_path / "a", [one_joint(4)])
    assert not without["indicator"].str.starts_with("brake").any()
    with_words = measured(tmp_path / "b", [one_joint(4, brake=True)])
    assert with_words.filter(pl.col("indicator") == "brake cycles")["value"][0] == 29


@pytest.mark.parametrize("rubs_s", [0.0, 5.0])
def test_drag_is_what_a_release_adds_to_the_sessions_own_friction(tmp_path, rubs_s):
    """Ten motions of 24 s, an engagement before each; a brake that rubs adds 0.3 A at first."""
    t = np.arange(3000) / 10.0
    phase, way = t % 30.0, np.where((t // 30.0) % 2, -1.0, 1.0)
    rate = way * 3.0 * np.clip(np.minimum(phase - 5.0, 29.0 - phase), 0, 1)
    rubs = (phase >= 5.0) & (phase < 5.0 + rubs_s)
    # forward and backward differ, as they do in many drives
    current = np.sign(rate) * (1.0 + 0.1 * np.abs(rate) + 0.15 * (way > 0) + 0.3 * rubs)
    frame = one_joint(8, seconds=300.0).with_columns(
        pl.Series("J1.rate_deg_s", rate),
        pl.Series("J1.angle_deg", np.cumsum(rate) / 10.0),
        pl.Series("J1.current_a", current + np.random.default_rng(8).normal(0, 0.02, t.size)),
        pl.Series("J1.brake_engaged", phase < 4.0),
    )
    found = by_name(measured(tmp_path, [frame]))["brake drag"]
    assert found["value"] == pytest.approx(0.3 if rubs_s else 0.0, abs=0.03)
    assert found["n"] == 10


def test_load_that_hides_friction_gives_no_friction(tmp_path):
    # Gravity on a ground robot: the current is ten times what friction takes, with one sign.
    frame = one_joint(5).with_columns((pl.col("J1.current_a") * 0.1 + 3.0).alias("J1.current_a"))
    frame = frame.drop("J1.angle_deg")
    found = measured(tmp_path, [frame])["indicator"].to_list()
    assert not [name for name in found if "friction" in name or name == "margin left"]
    assert "travel" in found


def test_a_still_session_is_looked_at_once(tmp_path):
    frame = one_joint(6).with_columns(
        pl.lit(0.0).alias("J1.rate_deg_s"), pl.lit(0.0).alias("J1.angle_deg")
    )
    table = measured(tmp_path, [frame])
    assert "coulomb friction" not in table["indicator"]
    assert table.filter(pl.col("indicator") == "travel")["value"].sum() == 0


def test_figures_point_to_an_instant_of_their_session(tmp_path):
    table = measured(tmp_path, [one_joint(7)])
    at = table["at"].drop_nulls()
    assert len(at) == table.height
    assert (at >= BEGIN).all()
    assert (at <= BEGIN + timedelta(seconds=150)).all()


def test_two_arms_in_one_archive_keep_their_histories(tmp_path):
    archive = open_archive(tmp_path / "archive", create=True)
    for k in range(8):
        start = datetime(2031, 1, 1, tzinfo=UTC) + timedelta(days=30 * k)
        for n, arm in enumerate(("Heron", "Teal")):
            frame = motion_frame(start, joints={"J1": (1.0 + n, 0.1, 4.0)}, seed=10 * k + n)
            add(archive, 10 * k + n, frame, units={}, start=start, arm=arm)
    indicators(archive)
    levels = {t.serial: t.last_value for t in trends(archive, indicator="friction at usual rate")}
    assert set(levels) == {"Heron J1", "Teal J1"}
    assert levels["Teal J1"] - levels["Heron J1"] == pytest.approx(1.0, abs=0.1)


def cycling(play_deg=0.0, friction_a=1.0, rate_hz=100.0, seconds=80.0, seed=1):
    """A joint that turns without resting; friction changes sides along the play."""
    rng = np.random.default_rng(seed)
    n = int(seconds * rate_hz)
    t = np.arange(n) / rate_hz
    angle = 10.0 * np.sin(2 * np.pi * t / 8.0)
    rate = 10.0 * 2 * np.pi / 8.0 * np.cos(2 * np.pi * t / 8.0)
    turn = np.flatnonzero(np.diff(np.sign(rate), prepend=np.sign(rate[0])))
    since = np.zeros(n)
    for first, last in zip(turn, [*turn[1:], n], strict=True):
        since[first:last] = np.abs(angle[first:last] - angle[first])
    side = np.clip(2 * since / max(play_deg, 1e-9) - 1, -1, 1) if play_deg else np.ones(n)
    side[: turn[0]] = 1.0
    current = np.sign(rate) * side * friction_a + 0.02 * rng.normal(size=n)
    start = pl.Series([BEGIN], dtype=pl.Datetime("ns", "UTC")).new_from_index(0, n)
    return pl.DataFrame(
        {
            "time": start + pl.Series((t * 1e9).round().astype(np.int64)).cast(pl.Duration("ns")),
            "J1.angle_deg": angle,
            "J1.rate_deg_s": rate,
            "J1.current_a": current,
        }
    )


@pytest.mark.parametrize("play", [0.2, 0.5])
def test_play_at_reversals_is_half_way_through_the_change_of_sides(tmp_path, play):
    rows = by_name(measured(tmp_path, [cycling(play)]))
    found = rows["backlash at reversals"]
    assert found["value"] == pytest.approx(play / 2, abs=max(4 * found["se"], 0.02))
    assert 0 < found["se"] < 0.03


def test_play_finer_than_a_sample_gives_no_figure(tmp_path):
    assert "backlash at reversals" not in by_name(measured(tmp_path, [cycling(0.0)]))


def test_holding_current_and_breakaway_are_those_of_the_frame(tmp_path):
    frame = one_joint(8, rate_hz=20.0)
    t = np.arange(frame.height) / 20.0
    still = t % 5.0 > 4.0
    starts = t % 5.0 < 0.15
    way = np.where((t // 5.0) % 2, -1.0, 1.0)
    current = np.where(still, 0.25, frame["J1.current_a"].to_numpy())
    current = np.where(starts & (t > 1), 1.6 * way, current)
    rows = by_name(measured(tmp_path, [frame.with_columns(pl.Series("J1.current_a", current))]))
    for way_word in ("forward", "backward"):
        found = rows[f"breakaway {way_word}"]
        assert found["value"] == pytest.approx(1.6, abs=0.12)
        assert found["se"] > 0


def test_every_figure_but_a_count_has_a_standard_error(tmp_path):
    frames = [one_joint(k, day=k, brake=True) for k in range(3)]
    table = measured(tmp_path, frames, arm_toml=ARM)
    counts = ["reversals", "starts", "brake cycles"]
    rest = table.filter(~pl.col("indicator").is_in(counts))
    assert rest.filter(~(pl.col("se") > 0)).height == 0
    assert rest["indicator"].n_unique() >= 14


def test_a_new_baseline_measures_every_session_again(tmp_path):
    from replay import learn

    archive = open_archive(tmp_path / "archive", create=True)
    for k in range(6):
        frame = one_joint(k, day=k)
        add(archive, k, frame, units={"J1": "TU-101"}, start=frame["time"][0].astimezone(UTC))
    assert set(indicators(archive)["baseline"]) == {""}
    version = learn(archive).version
    seen = []
    table = indicators(archive, progress=lambda todo: seen.append(list(todo)) or todo)
    assert len(seen[0]) == 6
    assert set(table["baseline"]) == {version}
    again = []
    indicators(archive, progress=lambda todo: again.append(list(todo)) or todo)
    assert again == []
