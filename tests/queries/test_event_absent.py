"""What an event's page says of what is not there: a step, a current, a block, a yes or no."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import polars as pl
import pytest

from dashboards.components.event_page.argument import measured_part
from dashboards.components.event_page.event_parts import health_table, joints_table
from dashboards.figures import event as drawn
from dashboards.queries.event import events, scores
from dashboards.queries.event.brakes import step_words, usual_step_ms
from dashboards.queries.event.evidence import evidence_words
from dashboards.queries.event.sensors import sensor_health
from dashboards.queries.event.unflagged import larger_unflagged
from replay.archive import Archive
from tests.queries.test_event_truth import lossy, shared_words
from tests.reviews.makers import at, make_archive


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    return make_archive(tmp_path / "archive")


def test_the_distance_of_two_brake_words_is_no_sampling_step(archive: Archive) -> None:
    event = shared_words(archive)
    window = (at(3), at(55))
    assert usual_step_ms(archive, event, *window) == pytest.approx(100.0)
    said = step_words(archive, event, *window)
    assert said.startswith("The log tells the brake state on change: such a line stands at the")
    assert "Other samples are 100.0 ms apart" in said


def test_a_brake_that_is_sampled_keeps_its_step(archive: Archive) -> None:
    event = lossy(archive, "g", ["J1.angle_deg"], "sampled")
    said = step_words(archive, event, at(15), at(45))
    assert said == "Samples are 100.0 ms apart: a change may be up to that much earlier."


@pytest.mark.parametrize("brake", ["told on change", "shared"])
def test_a_word_that_is_told_on_change_has_no_step_and_lacks_nothing(
    archive: Archive, brake: str
) -> None:
    event = shared_words(archive) if brake == "shared" else lossy(archive, "g", [], brake)
    rows, _ = sensor_health(archive, event, at(0), at(60))
    word = rows.filter(pl.col("quantity") == "brake state").row(0, named=True)
    assert (word["samples"], word["missing"], word["step_ms"]) == (2, None, None)
    assert "told on change" in str(health_table(rows))
    current = rows.filter(pl.col("quantity") == "motor current").row(0, named=True)
    assert current["step_ms"] == pytest.approx(100.0)
    assert not current["on_change"]


def gap_of_j2() -> pl.DataFrame:
    """Three joints at 10 Hz; J2 has a current at the two samples alone that bound its gap."""
    rows = [
        {"joint": j, "time": at(k / 10), "residual": r, "current_a": a, "expected_a": a}
        for k in range(10, 31)
        for j, r, a in (("J1", 0.5, 1.0), ("J2", 0.1, 0.04), ("J3", 2.5, 3.0))
        if j != "J2" or k in (10, 30)
    ]
    return pl.DataFrame(rows).with_columns(
        rate_deg_s=pl.lit(0.5), motion=pl.lit("moving"), holds_a=pl.lit(None, dtype=pl.Float64)
    )


def test_of_a_current_that_is_not_there_nothing_is_said(archive: Archive) -> None:
    record = archive.session("s1")
    event = events.Event(record, "J2", "gap", at(1), at(3))
    found = events.at_instant(gap_of_j2(), event)
    assert found["joint"].to_list() == ["J1", "J2", "J3"]
    assert found["current_a"].to_list() == [1.0, None, 3.0]
    assert found["residual"].to_list() == [0.5, None, 2.5]
    assert "no current" in str(joints_table(found, "J2"))
    assert "0.04" not in str(joints_table(found, "J2"))
    assert larger_unflagged(archive, event, gap_of_j2()) == []


def test_a_gap_of_every_joint_shows_no_current_from_around_it(archive: Archive) -> None:
    event = events.Event(archive.session("s1"), "J2", "gap", at(1), at(3))
    bounds = gap_of_j2().filter(pl.col("time").is_in([at(1), at(3)]))
    assert events.at_instant(bounds, event)["current_a"].to_list() == [None, None, None]


def one_step(start: float, end: float, detector: str = "angle step") -> events.Event:
    said = f'{{"detector": "{detector}", "detector_value": 3289.0}}'
    return SimpleNamespace(start=at(start), end=at(end), score=9.0, evidence=evidence_words(said))  # type: ignore[return-value]


BLOCKS = scores.Scores(
    pl.DataFrame(
        {
            "time": [at(k / 5) for k in range(10)],
            "angle step": [None] * 5 + [3289.0] + [None] * 4,
            "push": [0.5] * 10,
            "score": [0.1] * 5 + [9.0] + [0.1] * 4,
        }
    ),
    1.0,
    2.0,
    "b1",
)


def test_an_event_between_two_blocks_has_the_block_that_it_touches() -> None:
    event = one_step(1.02, 1.09)  # blocks stand at 1.0 s and 1.2 s
    loud = scores.loudest(BLOCKS, event.start, event.end)
    assert scores.told_detectors(event, loud) == [("angle step", 3289.0, ""), ("push", 0.5, "")]
    assert scores.drawn_detectors(BLOCKS, event, loud) == ["angle step", "push"]
    assert scores.what_if(BLOCKS, event, 1.0)["trace"] == 9.0


def test_the_detector_that_flagged_is_told_where_no_block_has_it() -> None:
    event = one_step(7.0, 7.07)
    loud = scores.loudest(BLOCKS, event.start, event.end)
    (row,) = scores.told_detectors(event, loud)
    assert row[:2] == ("angle step", 3289.0)
    assert "as the flag keeps it" in row[2]
    assert scores.drawn_detectors(BLOCKS, event, loud) == ["angle step"]
    assert scores.column_of("push 2s", ["push", "held push"]) == "push"


def test_a_panel_without_a_detector_says_so() -> None:
    figure = drawn.score_through_time(BLOCKS.trace, at(7), at(7.07), 2.0, 2.0)
    assert "no detector has a value" in str(figure.layout.annotations)


def test_a_yes_or_no_is_no_time() -> None:
    said = str(measured_part(evidence_words('{"braked": false}')))
    assert "brake engaged" in said
    assert "time with" not in said
