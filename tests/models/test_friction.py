"""What a friction fit says, and what it does not claim."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from replay.arm import load_arm
from replay.errors import UsageError
from replay.models.friction_tables.friction import fit_friction, static_curve, steady_rows
from replay.models.friction_tables.separable import linear_fit, separable_fit
from replay.units import JOINT_TABLE


def rows(rate, effort, *, noise=0.02, seed=0, per=15, **columns):
    rng = np.random.default_rng(seed)
    n = len(rate)
    frame = {
        "rate_deg_s": np.repeat(rate, per),
        "effort": np.repeat(effort, per) + noise * rng.normal(size=n * per),
        "segment": np.repeat(np.arange(n), per),
    }
    frame |= {name: np.repeat(values, per) for name, values in columns.items()}
    return pl.DataFrame(frame)


def rates(n=300, low=0.02, high=4.0, seed=1):
    rng = np.random.default_rng(seed)
    return np.exp(rng.uniform(np.log(low), np.log(high), n)) * rng.choice([-1, 1], n)


def curve(w, coulomb=0.8, **kw):
    return static_curve(
        w, **{"coulomb": coulomb, "static": 1.2, "stribeck_rate": 0.2, "viscous": 0.1} | kw
    )


def test_each_direction_has_its_own_curve():
    w = rates()
    effort = np.where(w > 0, curve(w), curve(w, coulomb=0.6, viscous=0.15))
    fit = fit_friction(rows(w, effort))
    assert fit is not None
    for name, value in {
        "coulomb forward": 0.8,
        "coulomb backward": 0.6,
        "viscous forward": 0.1,
        "viscous backward": 0.15,
        "rise forward": 0.4,
        "rise backward": 0.6,
    }.items():
        term = fit.term(name)
        assert term.determined
        assert term.value == pytest.approx(value, abs=max(4 * term.se, 0.005))
    assert fit.stribeck_rate_deg_s == pytest.approx(0.2, rel=0.05)


@pytest.mark.parametrize("seed", range(3))
def test_standard_errors_cover_the_truth(seed):
    found = []
    for k in range(15):
        rng = np.random.default_rng(100 * seed + k)
        w = rates(60, 0.5, 4.0, seed=k)
        shift = 0.05 * rng.normal(size=60)  # what makes a stretch's rows depend on each other
        fit = fit_friction(rows(w, curve(w, static=0.8) + np.sign(w) * shift, seed=k))
        term = fit.term("coulomb forward")
        found.append((term.value - 0.8) / term.se)
    assert np.std(found) < 2.2
    assert abs(np.mean(found)) < 1.0


def test_a_tenth_of_wild_rows_does_not_move_the_curve():
    w = rates(200, 0.5, 4.0)
    frame = rows(w, curve(w, static=0.8))
    wild = np.random.default_rng(0).random(frame.height) < 0.1
    frame = frame.with_columns(
        pl.when(pl.Series(wild)).then(pl.col("effort") + 5.0).otherwise("effort").alias("effort")
    )
    robust, plain = fit_friction(frame), fit_friction(frame, robust=False)
    assert robust.term("coulomb forward").value == pytest.approx(0.8, abs=0.03)
    assert abs(plain.term("coulomb forward").value - 0.8) > 0.2


def test_one_rate_tells_a_level_and_nothing_more():
    w = rates(100, 1.98, 2.02)
    fit = fit_friction(rows(w, curve(w)))
    assert fit.stribeck_rate_deg_s is None
    assert fit.term("viscous forward") is None
    assert fit.term("coulomb forward").value == pytest.approx(1.0, abs=0.01)
    assert any("not determined" in text for text in fit.warnings)


def test_one_direction_only_leaves_the_other_unknown():
    w = np.abs(rates())
    fit = fit_friction(rows(w, curve(w)))
    assert np.isnan(fit.predict([-1.0])[0])
    assert np.isfinite(fit.predict([1.0])[0])
    assert not fit.seen([-1.0])[0]


def test_nothing_but_noise_is_said_to_be_little():
    w = rates()
    fit = fit_friction(rows(w, 0 * w))
    assert fit.r2 < 0.05
    assert any("speed explains little here" in text for text in fit.warnings)
    assert not any(t.determined and abs(t.value) > 0.02 for t in fit.terms)


def test_a_temperature_that_does_nothing_gets_no_term():
    w = rates()
    warm = np.linspace(10, 40, len(w))
    fit = fit_friction(rows(w, curve(w), temperature_c=warm))
    assert not any("degC" in t.name for t in fit.terms)


def test_the_little_motion_there_is_gives_no_fit():
    assert fit_friction(rows(np.array([1.0]), np.array([1.0]))) is None
    assert fit_friction(rows(np.array([]), np.array([]))) is None


def test_a_missing_column_is_named():
    with pytest.raises(UsageError, match="effort"):
        fit_friction(pl.DataFrame({"rate_deg_s": [1.0]}))


def test_load_dependence_is_found_where_it_is():
    w = rates(400, 0.3, 4.0)
    load = np.random.default_rng(5).uniform(-300, 300, len(w))
    effort = curve(w, static=0.8) + 0.005 * load + np.sign(w) * 0.001 * np.abs(load)
    fit = fit_friction(rows(w, effort, load=load))
    assert fit.term("load").value == pytest.approx(0.005, rel=0.02)
    assert fit.term("coulomb both per load").value == pytest.approx(0.001, rel=0.1)


def test_steady_rows_are_moving_steadily():
    n = 6
    table = pl.DataFrame(
        {name: [None] * n for name in JOINT_TABLE}, schema=JOINT_TABLE
    ).with_columns(
        pl.Series("motion", ["moving", "moving", "moving", "holding", "held", "moving"]),
        pl.Series("stage", ["steady", "speeding", "steady", None, None, "steady"]),
        pl.Series("rate_deg_s", [1.0, 1.0, 0.01, 0.0, 0.0, 2.0]),
        pl.Series("rate_se_deg_s", [0.01, 0.01, 0.01, 0.01, 0.01, None], dtype=pl.Float64),
        pl.Series("current_a", [1.0] * n),
        pl.Series("segment", [0] * n, dtype=pl.Int32),
    )
    assert steady_rows(table)["rate_deg_s"].to_list() == [1.0, 2.0]


def test_a_fit_is_never_worse_than_its_grid():
    rng = np.random.default_rng(0)
    x = np.linspace(0, 5, 60)
    y = np.exp(-x / 0.7) + 0.01 * rng.normal(size=60)
    grid = np.geomspace(0.01, 100, 9)

    def design(theta):
        return np.exp(-x / theta[0])[:, None]

    fit = separable_fit(design, y, [grid], robust=False)
    assert fit.linear.loss <= min(linear_fit(design([g]), y, robust=False).loss for g in grid)
    flat = separable_fit(design, np.ones(60), [grid], robust=False)
    assert flat.at_edge == (True,)


def test_the_load_that_a_known_drive_turns_is_taken_off():
    joint = load_arm(
        "[[joints]]\nname = 'a'\ngear_ratio = 1000.0\ntorque_constant_nm_a = 0.1\n"
    ).joint("a")
    w = np.repeat(rates(200, 0.5, 4.0), 15)
    load = np.random.default_rng(5).uniform(-300, 300, len(w))
    table = pl.DataFrame(
        {name: [None] * len(w) for name in JOINT_TABLE}, schema=JOINT_TABLE
    ).with_columns(
        pl.Series("motion", ["moving"] * len(w)),
        pl.Series("stage", ["steady"] * len(w)),
        pl.Series("rate_deg_s", w),
        pl.Series("load_nm", load),
        pl.Series("current_a", curve(w, static=0.8) + load / 100.0),
        pl.Series("segment", np.arange(len(w)) // 15).cast(pl.Int32),
    )
    fit = fit_friction(steady_rows(table, joint))
    assert fit.term("coulomb forward").value == pytest.approx(0.8, abs=0.005)
    assert fit.spread < 0.001
    assert not any("load" in t.name for t in fit.terms)


def test_a_bent_line_is_not_taken_for_static_friction():
    # effort that grows faster than the rate: a falling exponential would fit it, upside down
    w = rates(300, 0.3, 4.0)
    fit = fit_friction(rows(w, np.sign(w) * (0.8 + 0.05 * w**2)))
    assert not any(t.name.startswith("rise") for t in fit.terms)
    assert all(abs(t.value) < 2 for t in fit.terms)


def test_effort_that_falls_towards_standstill_is_no_static_friction():
    # static friction is at least Coulomb friction (the model's own premise), so a dip has no rise
    w = rates()
    dips = curve(w, static=0.4)
    both = fit_friction(rows(w, dips))
    assert not any(t.name.startswith("rise") for t in both.terms)
    assert both.stribeck_rate_deg_s is None
    one = fit_friction(rows(w, np.where(w > 0, curve(w), dips)))
    assert one.term("rise forward").value == pytest.approx(0.4, abs=0.02)
    assert one.term("rise backward") is None
