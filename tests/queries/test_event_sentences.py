"""What the event page says of a flag: no figure under another's name, no rate nobody measured."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest

from dashboards.components.event_page.event_sections import placeholders
from dashboards.figures import story as drawn
from dashboards.figures.holes import of_channel
from dashboards.links import View
from dashboards.pages import compare_parts
from dashboards.pages.event_pages import event_top
from dashboards.queries.event.argument import Argument, of_evidence
from dashboards.queries.event.rarity import rarity, score_words
from dashboards.queries.event.similar_motions import _to_their_ends
from replay.errors import BaselineError

NOON = datetime(2032, 3, 3, 12, tzinfo=UTC)


def test_a_score_without_a_rate_is_no_rate_and_stands_beside_what_scored_as_high():
    assert score_words(260.0) == "≥ 260, too high for a rate"
    assert "faults included" in rarity(260.0, 23.0, 2)


def test_a_baseline_that_cannot_be_read_is_told_and_no_lack_of_hours(monkeypatch):
    def unread(*_):
        raise BaselineError("baseline b1 has format 13", todo="learn again")

    monkeypatch.setattr(event_top.events, "baseline_of", unread)
    event = SimpleNamespace(score=260.0, baseline="b1", summary="J4 slips")
    page = event_top.words(SimpleNamespace(archive=None), event, Argument("", "", "", ()))
    said = json.dumps(page.to_plotly_json(), default=lambda part: part.to_plotly_json())
    assert "cannot be said: baseline b1 has format 13 (learn again)." in said
    assert "no learning hours" not in said


def test_a_stall_is_short_of_travel_not_of_a_rate_at_its_worst():
    seen = of_evidence({"behind_command": 0.721, "push_a": 0.57}, "stall").seen
    assert seen.startswith("72 % of the travel that was due is missing")


def test_a_step_and_a_reading_that_stands_say_what_was_seen():
    step = of_evidence({"step_deg": -5.1762, "astray_deg": None}, "angle-sensor")
    assert step.seen == "it steps by -5.18 deg from one sample to the next"
    stands = {"level_deg": 95.762, "expected_travel_deg": 0.2519, "astray_deg": 0.0609}
    assert of_evidence(stands, "angle-sensor").seen == (
        "it stands at 95.762 deg while 0.25 deg of motion was due"
    )
    drift = of_evidence({"astray_deg": 0.0609}, "angle-sensor").seen
    assert drift == "the angle is +0.06 deg off what the rate adds up to"


def test_a_negative_current_is_largest_not_at_most():
    seen = of_evidence({"forward_a": -0.63, "peak_a": -1.04}, "friction").seen
    assert seen == "beyond it, -0.63 A forward, -1.04 A where it was largest"


def test_another_motion_is_drawn_to_its_end_the_flagged_one_whole():
    since = [0.0, 5.0, 8.4, 9.0, 12.0]
    traces = pl.DataFrame(
        {"row": [r for r in (0, 1, 2) for _ in since], "since_s": since * 3},
        schema_overrides={"row": pl.Int64},
    )
    kept = _to_their_ends(traces, pl.DataFrame({"duration_s": [8.0, 8.1, None]}))
    ends = kept.group_by("row", maintain_order=True).agg(pl.col("since_s").max())
    assert ends["since_s"].to_list() == [12.0, 8.4, 12.0]


@pytest.mark.parametrize(
    ("kind", "asked", "shown"),
    [("brake-slip", {}, "turned_deg"), ("friction", {}, "current_a"), ("stall", {}, "rate_deg_s"),
     ("brake-slip", {"by": "current_a"}, "current_a")],
)  # fmt: skip
def test_similar_motions_are_drawn_in_what_the_kind_is_seen_in(kind, asked, shown):
    names = ("likes", "scores", "others", "brakes", "sensors")
    parts = placeholders(
        View(extra=asked), (1.0,), {n: {} for n in names}, dict.fromkeys(names, ""), kind
    )
    assert f"id='event-by', value='{shown}'" in str(parts[0]) or any(
        getattr(part, "value", None) == shown
        for part in parts[0]._traverse()
        if getattr(part, "id", None) == "event-by"
    )


def rows(**columns: list[float | None]) -> pl.DataFrame:
    count = len(next(iter(columns.values())))
    times = [NOON + timedelta(seconds=0.1 * k) for k in range(count)]
    return pl.DataFrame(
        {"time": times, **columns}, schema_overrides={"time": pl.Datetime("us", "UTC")}
    )


def test_low_panels_ask_for_as_few_labels_as_fit():
    angle = np.linspace(87.536, 87.556, 60)
    figure = drawn.story(
        rows(rate_deg_s=[0.0, 0.02] * 30, current_a=[0.0, 0.1] * 30, angle_deg=angle.tolist()),
        NOON,
        NOON + timedelta(seconds=1),
        joint_index=4,
    )
    assert figure.layout.yaxis3.title.text.startswith("angle")
    assert figure.layout.yaxis3.nticks == 3  # five labels of 12 px overlap in a panel of 42
    assert figure.layout.yaxis.nticks in (3, 4)


def test_a_channel_written_at_every_third_row_is_one_line_and_what_was_lost_is_a_hole():
    seldom = [20.0 + k if k % 3 == 0 else None for k in range(60)]
    whole = of_channel(rows(temperature_c=seldom), "temperature_c")
    assert whole["temperature_c"].null_count() == 0
    lost = [None if 20 <= k < 50 else v for k, v in enumerate(seldom)]
    assert of_channel(rows(temperature_c=lost), "temperature_c")["temperature_c"].null_count() == 1


def test_two_sessions_without_a_like_motion_are_told_so_once():
    made = SimpleNamespace(
        table=pl.DataFrame(
            schema={"quantity": pl.String, "joint": pl.String, "differs": pl.Boolean}
        ),
        pairs=pl.DataFrame(schema={"joint": pl.String}),
        joints=("J1", "J2"),
    )
    said = compare_parts._headline(made)
    assert said.startswith("0 pairs of motions: no joint made two motions alike")
    assert "has pairs enough" not in said
