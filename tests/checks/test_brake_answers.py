"""How much brakes' answers vary is learned from few, and the promised rate is kept by them."""

from __future__ import annotations

import numpy as np
import pytest

from replay.checks.limits.calibrating import calibrate
from replay.checks.limits.calibration import Calibration
from replay.checks.limits.extreme_values import Tail
from replay.checks.limits.norms import fit_norms
from replay.checks.promise import score_limit_for
from replay.signatures.marks import Mark, Seen, valued
from tests.checks.simulated_residuals import joint, session, thinned

ROW_S, MINUTES, ANSWERS = 0.025, 20.0, 20
UNITS = {f"A{k}": f"U-{k}" for k in range(1, 8)}
FAMILIES = 7
"""Kinds that share the half of the rate that is not the current's."""


def seen(rng, usual_s, spread, tail):
    """Return what one session shows of each brake's answers, read at the log's rows."""
    made = {}
    for name, delay_s in usual_s.items():
        error = rng.standard_t(4, ANSWERS) / np.sqrt(2) if tail else rng.normal(size=ANSWERS)
        day = 1.0 + rng.normal(0, 0.02)
        delay = np.maximum(delay_s * (day + spread[name] * error), 0.01)
        read = np.ceil(delay / ROW_S) * ROW_S + rng.uniform(-0.003, 0.003, ANSWERS)
        at = np.sort(rng.uniform(0, 60 * MINUTES, ANSWERS))
        marks = [
            Mark("release word", "delay", float(a), float(a + r), float(r))
            for a, r in zip(at, read, strict=True)
        ]
        made[name] = {"release word": Seen(tuple(marks), {"delay": (0.0, 0.5 * ROW_S)})}
    return made


def learned(rng, tail):
    """Learn from twelve sessions of an arm whose brakes have nothing in common but their kind."""
    usual_s = {name: float(rng.uniform(0.1, 0.25)) for name in UNITS}
    spread = {name: float(0.07 * np.exp(rng.normal(0, 0.3))) for name in UNITS}
    joints = [thinned(joint(0, n, minutes=MINUTES, unit=u), 300) for n, u in UNITS.items()]
    sessions = [session(k, joints=joints) for k in range(12)]
    law, _ = calibrate(sessions, {s.session: seen(rng, usual_s, spread, tail) for s in sessions})
    return law, usual_s, spread


def late(law, found, limit):
    """Count the answers of a session that would be flagged."""
    count = 0
    for name, by in found.items():
        norms = law.norms_of(UNITS[name], "release word")
        values = [m.value for m in valued(by["release word"].marks, norms)]
        count += int((law.score("release word", np.array(values)) >= limit).sum())
    return count


@pytest.mark.parametrize(("tail", "seeds"), [(False, 1), (True, 2)], ids=["normal", "heavy"])
def test_brakes_that_answer_as_ever_are_flagged_no_oftener_than_was_asked(tail, seeds):
    """Some answers come late by far more than a normal law has it: Student's, four degrees."""
    flagged, hours = 0, 0.0
    for seed in range(seeds):
        rng = np.random.default_rng(seed)
        law, usual_s, spread = learned(rng, tail)
        for _ in range(250):
            fresh = seen(rng, usual_s, spread, tail)
            flagged += late(law, fresh, score_limit_for(1.0))
            hours += len(UNITS) * MINUTES / 60
    due = 0.01 * hours * 0.5 / FAMILIES
    assert hours > 500 * seeds
    assert flagged <= due + 3 * np.sqrt(due) + 1


def test_answers_late_by_three_tenths_of_a_second_are_still_flagged():
    rng = np.random.default_rng(11)
    law, usual_s, _ = learned(rng, tail=False)
    found = {}
    for name, delay_s in usual_s.items():
        slow = Mark("release word", "delay", 60.0, 61.0, delay_s + 0.3 + ROW_S)
        found[name] = {"release word": Seen((slow,), {"delay": (0.0, 0.5 * ROW_S)})}
    assert late(law, found, score_limit_for(1.0)) == len(UNITS)


def times(sizes, cell="delay", measure="release motion"):
    """Return what a session shows of one measure."""
    marks = [Mark(measure, cell, 10.0 * k, 10.0 * k + s, s) for k, s in enumerate(sizes)]
    return {measure: Seen(tuple(marks), {cell: (0.0, 0.5 * ROW_S)})}


def test_a_scale_that_few_sessions_tell_is_drawn_to_that_of_the_others():
    rng = np.random.default_rng(2)
    shown = []
    for name in UNITS.values():
        calm = name == "U-1"
        for _ in range(4 if calm else 12):
            spread = 0.002 if calm else 0.06
            shown.append((name, times(np.abs(rng.normal(0.1, spread, 5)))))
    scale = {u: by["release motion"]["delay"][1] for u, by in fit_norms(shown).items()}
    assert 0.5 * ROW_S < scale["U-1"] < 0.06
    assert scale["U-1"] > 1.2 * 0.5 * ROW_S
    assert scale["U-2"] == pytest.approx(0.06, rel=0.4)


def test_what_sessions_differ_by_is_part_of_what_answers_vary_by():
    rng = np.random.default_rng(3)
    shown = []
    for name in UNITS.values():
        for _ in range(12):
            day = rng.normal(0.5, 0.1)
            shown.append((name, times(rng.normal(day, 0.02, 20), measure="release word")))
    scales = [
        by["release word"]["delay"][1] for u, by in fit_norms(shown).items() if u in UNITS.values()
    ]
    assert np.median(scales) == pytest.approx(0.1, rel=0.4)


def test_a_scale_known_from_few_sessions_falls_off_more_slowly_and_survives_the_document():
    value = np.array([4.0, 8.0, 16.0])
    rates = [Tail(2.0, 0.2, 0.5, known=k).log_rate(value) for k in (4.0, 12.0, 0.0)]
    assert (rates[0] > rates[1]).all()
    assert (rates[1] > rates[2]).all()
    law = Calibration({}, {}, {"release word": Tail(2.0, 0.2, 0.5, known=12.0)})
    again = Calibration.from_plain(law.to_plain())
    assert np.array_equal(law.score("release word", value), again.score("release word", value))
