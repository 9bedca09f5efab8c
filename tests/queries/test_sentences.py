"""Sentences about learning and looking are true of one and of several."""

from __future__ import annotations

from importlib import resources
from types import SimpleNamespace

import pytest

from dashboards.queries import baselines, work
from replay.reviews.judgements import learning
from replay.signals.brakes.drag import AFTER_S
from replay.wear.assessment.trends import FALSE_DISCOVERIES


@pytest.mark.parametrize(
    ("doubtful", "said"),
    [
        (1, "1 of the 3 sessions that taught it has "),
        (2, "2 of the 3 sessions that taught it have "),
    ],
)
def test_one_session_in_doubt_has_findings_and_two_have(
    monkeypatch: pytest.MonkeyPatch, doubtful: int, said: str
) -> None:
    names = ["a", "b", "c"]
    monkeypatch.setattr(learning, "taught_in_doubt", lambda archive, sessions: names[:doubtful])
    (line,) = baselines.doubts(None, SimpleNamespace(sessions=names))
    assert line.startswith(said)


@pytest.mark.parametrize(("count", "said"), [(1, "1 session"), (3, "3 sessions")])
def test_a_look_that_found_no_new_motion_says_where(
    monkeypatch: pytest.MonkeyPatch, count: int, said: str
) -> None:
    monkeypatch.setattr(work, "index_motions", lambda archive, progress: 0)
    archive = SimpleNamespace(sessions=lambda: SimpleNamespace(height=count))
    assert work.index(archive, lambda *words: None) == f"looked at {said}: no motion was new"


def test_the_handbook_states_how_long_after_a_release_drag_is_looked_for():
    text = resources.files("dashboards.handbook").joinpath("words.toml").read_text()
    assert f"in the first {AFTER_S:g} s of motion after a release" in text


def test_the_handbook_states_the_false_discovery_rate_that_trends_are_held_to():
    text = resources.files("dashboards.handbook").joinpath("articles.toml").read_text()
    assert f"{FALSE_DISCOVERIES * 100:.0f} in 100 may be wrong" in text
