from types import SimpleNamespace

import numpy as np
import pytest

from replay.checks.findings import find, gather
from replay.checks.limits.calibrating import calibrate
from replay.checks.limits.calibration import Calibration
from replay.checks.limits.extreme_values import fit_tail
from replay.checks.limits.noise import fit_noise
from replay.checks.promise import score_limit_for, sentence
from replay.settings import setting
from replay.signatures.marks import Mark, Seen, valued
from replay.signatures.registry import SHAPES
from tests.checks.simulated_residuals import between, session, with_shape


def test_colour_and_session_effect_are_those_of_the_simulation():
    noise = fit_noise([session(k) for k in range(30)])["U-1"]["friction"]
    # AR(1) of 0.5: (1 + 0.5) / (1 - 0.5)
    assert noise.longest == pytest.approx(3.0, rel=0.5)
    assert noise.omega == pytest.approx(0.02, rel=0.6)


def test_an_exponential_tail_is_fitted_to_what_it_was_drawn_from():
    rng = np.random.default_rng(5)
    # Gumbel: the largest of many exponential variables, scale 0.5
    values = 4.0 + 0.5 * rng.gumbel(size=4000)
    tail = fit_tail(values, 0.1)
    assert tail.scale == pytest.approx(0.5, rel=0.1)
    far = float(np.exp(tail.log_rate(np.array(7.0)))) * 0.1
    assert far == pytest.approx(np.mean(values > 7.0), rel=0.5)


def test_a_finding_that_training_never_showed_has_a_prior_tail():
    tail = fit_tail(np.zeros(50), 0.1)
    level, scale, rate = (setting(f"prior_{n}") for n in ("level", "scale", "rate"))
    at = np.exp(tail.log_rate(level + np.array([1e-6, 5 * scale])))
    assert at == pytest.approx([rate, rate * np.exp(-5.0)], rel=1e-4)
    assert np.exp(tail.log_rate(np.array(0.9 * level))) > 100  # what noise does is no finding


def test_what_is_seldom_seen_is_asked_no_less_of_than_what_never_was():
    seldom = np.zeros(200)
    seldom[:10] = np.linspace(0.3, 1.2, 10)  # small sizes in one block of twenty
    rare, never = fit_tail(seldom, 1 / 6), fit_tail(np.zeros(200), 1 / 6)
    sizes = np.array([2.0, 4.0, 4.9])
    assert (rare.log_rate(sizes) >= never.log_rate(sizes)).all()


def test_few_sessions_make_a_tail_heavier_however_many_blocks_they_have():
    values = np.random.default_rng(6).normal(3.0, 0.2, 400)
    rates = [fit_tail(values, 1 / 6, sessions=n).log_rate(np.array(6.0)) for n in (4, 8, 12, 40)]
    assert rates[0] > rates[1] > rates[2]
    assert rates[2] == rates[3]


def test_laws_survive_the_document(laws):
    law, _ = laws
    again = Calibration.from_plain(law.to_plain())
    value = np.array([3.0, 8.0])
    for name in law.tails:
        assert np.array_equal(law.score(name, value), again.score(name, value))


def test_fresh_healthy_sessions_keep_the_rate_that_was_asked(laws):
    law, _ = laws
    found, hours = 0, 0.0
    for seed in range(100, 130):
        fresh = session(seed)
        found += len(find(gather(fresh, {}, law), score_limit_for(30.0)))
        hours += 2 * 10 / 60
    assert found <= 2 + 3 * 0.3 * hours  # 30 in 100 h asked, thrice that and a little


def test_a_fault_in_one_training_session_hides_no_other(laws):
    spoilt = [session(k) for k in range(12)]
    one = spoilt[4].joints["A1"]
    with_shape(one, SHAPES["friction"], 0.5, between(one, 100.0, 400.0))
    law, _ = calibrate(spoilt, {})
    fresh = session(200)
    with_shape(fresh.joints["A1"], SHAPES["friction"], 0.5, between(one, 100.0, 400.0))
    assert [f.lead.joint for f in find(gather(fresh, {}, law), score_limit_for(1.0))] == ["A1"]


def test_what_training_seldom_showed_counts_in_the_promise_as_in_a_check():
    sessions = [session(k) for k in range(12)]
    odd = sessions[5].session
    gap = Mark("silence", "current", 100.0, 104.0, 20.0, {})
    seen = {
        s.session: {
            "A1": {"silence": Seen((gap,) if s.session == odd else (), {"current": (0.0, 1.0)})}
        }
        for s in sessions
    }
    law, promise = calibrate(sessions, seen)
    value = valued([gap], law.norms_of("U-1", "silence"))[0].value
    of_check = float(law.score("silence", np.array(value)))
    assert law.seldom("silence") is not None
    of_promise = max(
        x for x, name in zip(promise["scores"], promise["sessions"], strict=True) if name == odd
    )
    assert of_check > 5
    assert of_promise == pytest.approx(of_check, rel=1e-3)  # its own tail is the prior, too


def test_a_rate_is_written_out_and_a_count_reads_as_one():
    unit = SimpleNamespace(set_aside=("s1",))
    baseline = SimpleNamespace(
        asked=1.0,
        sessions=("a",) * 3,
        units={"U-1": unit},
        calibration={
            "promise": {
                "scores": [3.0] * 12,
                "sessions": list("abcdefghijkl"),
                "hours": [1.4] * 12,
            }
        },
    )
    said = sentence(baseline)
    assert "bound it at 110 per 100 joint-hours" in said
    assert "e+" not in said
    assert said.endswith("; 1 joint-session set aside while learning, counted here")
