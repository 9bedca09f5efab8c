"""The event page draws what was recorded, expects what can be expected, and has one score."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest

from dashboards.components.event_page.argument import measured_part
from dashboards.components.event_page.event_parts import joints_table, motions_table
from dashboards.figures import story as drawn
from dashboards.figures.holes import with_holes
from dashboards.pages.event_pages import event as event_page
from dashboards.queries.event import events, scores
from dashboards.queries.event.argument import of_evidence
from dashboards.queries.event.brakes import brake_sequence
from dashboards.queries.event.channel_lines import own_lines
from dashboards.queries.event.evidence import evidence_words
from dashboards.queries.event.odds import odds_words
from dashboards.queries.event.sensors import sensor_health
from dashboards.queries.event.similar_motions import ALIKE, apart_words, likes_of
from dashboards.queries.session import windows
from dashboards.queries.session.brake_runs import brake_runs
from replay.archive import Archive
from tests.reviews.makers import at, flag_row, keep_flags, make_archive

LOST = (at(20), at(32))


def in_the_gap(rows: pl.DataFrame) -> pl.DataFrame:
    return rows.filter(pl.col("time").is_between(*LOST, closed="none"))


def lossy(made: Archive, name: str, lost: list[str], brake: str) -> events.Event:
    """A minute of J1 at 10 Hz whose channels ``lost`` are missing from 20 s to 32 s."""
    frame = made.samples("s1").collect().with_row_index()
    frame = frame.with_columns(
        (pl.col("index") * 0.02).alias("J1.angle_deg"),
        pl.lit(20.0).alias("J1.temperature_c"),
        (pl.col("time") >= at(40)).alias("J1.brake_engaged"),
    )
    gone = pl.col("time").is_between(*LOST)
    main = frame.with_columns(pl.when(~gone).then(pl.col(c)).alias(c) for c in lost)
    names = ["J1.current_a", "J1.angle_deg", "J1.temperature_c"]
    streams = {"main": main.select("time", *names)}
    state = pl.col("J1.brake_engaged")
    if brake == "told on change":
        changes = frame.filter(state.ne_missing(state.shift()))
        streams["states"] = changes.select("time", "J1.brake_engaged")
    else:
        streams["main"] = main.select("time", *names, "J1.brake_engaged")
    record = replace(
        made.session("s1"),
        session=name,
        channels={s: tuple(c for c in f.columns if c != "time") for s, f in streams.items()},
    )
    made.add_session(record, streams)
    row = flag_row("g1", "J1", "look", kind="gap", start=20.0, end=32.0)
    keep_flags(made, row, session=name)
    return events.find_event(made, name, "g1")


@pytest.fixture
def made(tmp_path: Path) -> Archive:
    return make_archive(tmp_path / "archive")


def test_a_lost_current_takes_no_angle_away(made: Archive) -> None:
    event = lossy(made, "g", ["J1.current_a"], "sampled")
    lines = own_lines(made, event, at(15), at(40))
    for name in ("angle_deg", "temperature_c", "rate_deg_s"):
        assert in_the_gap(lines[name])[name].null_count() == 0, name
        assert in_the_gap(lines[name]).height > 100, name
    rows = events.joint_rows(made, event, at(15), at(40))
    assert in_the_gap(rows).height == 0
    assert rows["current_a"].null_count() == 1  # a row of nothing: the hole
    figure = drawn.story(rows, event.start, event.end, joint_index=0, lines=lines)
    angle = next(t for t in figure.data if t.name == "angle")
    assert sum(0 < x < 12 for x in angle.x) > 100


@pytest.mark.parametrize(
    ("lost", "brake", "known"),
    [
        (["J1.current_a"], "sampled", True),  # the brake's own samples are there
        (["J1.current_a"], "told on change", False),  # its word may be lost with the current
        ([], "told on change", True),
        (["J1.current_a", "J1.angle_deg", "J1.brake_engaged"], "sampled", False),
    ],
)
def test_a_brake_is_drawn_where_its_state_was_recorded(
    made: Archive, lost: list[str], brake: str, known: bool
) -> None:
    event = lossy(made, "g", lost, brake)
    runs = brake_runs(made, event.record, "J1", "J1.brake_engaged", at(15), at(45))
    middle = runs.filter((pl.col("start") <= at(26)) & (pl.col("end") >= at(26)))
    assert middle["value"].to_list() == ([False] if known else [None])
    before = runs.filter((pl.col("start") <= at(17)) & (pl.col("end") >= at(17)))
    assert before["value"].to_list() == [False]
    after = runs.filter((pl.col("start") <= at(43)) & (pl.col("end") >= at(43)))
    assert after["value"].to_list() == [True]


def test_thinning_makes_no_holes_and_keeps_those_that_there_are() -> None:
    times = [at(k / 10) for k in range(4000) if not 1000 <= k < 1100]
    table = pl.DataFrame({"time": times}).with_columns(
        current_a=(pl.int_range(pl.len()) % 37).cast(pl.Float64), rate_deg_s=pl.lit(0.5)
    )
    thin = events.downsampled(with_holes(table), ("current_a", "rate_deg_s"), 400)
    assert thin.height < 700
    assert thin["current_a"].null_count() == 1
    assert at(99) < thin.filter(pl.col("current_a").is_null())["time"].item() < at(101)


def test_where_a_joint_stands_released_no_current_is_expected() -> None:
    rows = pl.DataFrame(
        {
            "motion": ["moving", "holding", "held"],
            "expected_a": [1.2, 0.0, 0.0],
            "low_a": [1.0, -2.0, -0.1],
            "high_a": [1.4, 2.0, 0.1],
        }
    )
    told = events.without_rest(rows)
    assert told["expected_a"].to_list() == [1.2, None, 0.0]
    assert told["low_a"].null_count() == told["high_a"].null_count() == 1
    assert told["holds_a"].to_list() == [None, 2.0, None]


def test_a_gap_shows_every_channel_that_was_lost_not_the_longest_alone() -> None:
    kept = '{"channel": "current", "channels": ["current", "brake state"], "measured": 15.0}'
    shown = str(measured_part(evidence_words(kept)))
    assert "channels that were lost" in shown
    assert "current, brake state" in shown
    assert "channel that was lost" not in shown
    assert "channel that was lost" in str(measured_part(evidence_words('{"channel": "angle"}')))


def test_the_table_of_joints_says_why_none_is_expected_and_compares_like_with_like() -> None:
    event = SimpleNamespace(kind="friction", start=at(0), end=at(3))
    rows = pl.DataFrame(
        {
            "joint": ["J1", "J1", "J2", "J2"],
            "time": [at(1), at(2), at(1), at(2)],
            "rate_deg_s": [0.0, 0.0, -0.8, 0.0],
            "current_a": [0.3, 0.3, -1.8, 0.1],
            "expected_a": [None, None, -1.1, None],
            "residual": [0.2, 0.1, -13.7, 0.0],
            "motion": ["holding", "holding", "moving", "holding"],
            "holds_a": [2.07, 2.07, None, 2.0],
        }
    )
    found = events.at_instant(rows, event)
    text = str(joints_table(found, "J2"))
    assert "none: it stands, and friction holds up to 2.07 A" in text
    other = found.row(1, named=True)
    assert (other["compared_a"], other["expected_a"]) == (1.8, 1.1)


def test_a_band_that_runs_on_both_ways_is_told_at_either_end() -> None:
    times = [at(k / 10) for k in range(40)]
    rows = pl.DataFrame({"time": times}).with_columns(
        current_a=pl.Series([0.0, 0.1] * 20), expected_a=pl.lit(0.05), low_a=pl.lit(-9.0),
        high_a=pl.lit(9.0), rate_deg_s=pl.lit(0.1),
    )  # fmt: skip
    figure = drawn.story(rows, at(1), at(2), joint_index=0)
    ends = {a.text[0]: a.y for a in figure.layout.annotations if "runs on" in a.text}
    assert ends == {"▲": 1, "▼": 0}


def one_score(flag_score: float | None) -> dict[str, float | int | bool]:
    trace = pl.DataFrame(
        {"time": [at(k) for k in range(6)], "score": [0.5, 7.13, None, 7.0, 0.1, 2.5]}
    )
    event = SimpleNamespace(start=at(1), end=at(3), score=flag_score)
    return scores.what_if(scores.Scores(trace, 1.0, 2.0, "b1"), event, 1.0)


def test_a_flag_has_one_score_on_its_page_and_rests_end_no_stretch() -> None:
    found = one_score(5.41)
    assert found["peak"] == 5.41
    assert found["trace"] == 7.13
    assert found["stretches"] == 2
    assert one_score(None)["peak"] == 7.13


def far(*distances: float) -> SimpleNamespace:
    motions = pl.DataFrame({"distance": distances, "payload_kg": [0.0] * len(distances)})
    return SimpleNamespace(motions=motions, own={"payload_kg": 1200.0})


def test_what_is_not_alike_is_said_plainly() -> None:
    said = apart_words(far(37.08, 37.1), "TU-103")
    assert said.startswith("None is alike: the nearest motion of unit TU-103 is 37 usual spreads")
    assert "with 0 kg against 1200 kg here" in said
    assert apart_words(far(0.4, 9.0), "TU-103").startswith("1 of the 2 listed are further")
    assert apart_words(far(0.4, ALIKE), "TU-103") == ""


@pytest.mark.parametrize("lost", ["J1.current_a", "J1.angle_deg", "J1.temperature_c"])
def test_of_a_gap_that_took_the_motion_none_is_called_alike(made: Archive, lost: str) -> None:
    event = lossy(made, "g", [lost], "sampled")
    found = likes_of(made, event, 5)
    told = isinstance(found, str) and found.startswith("No motion can be chosen")
    assert told == (lost != "J1.temperature_c")  # the motion of a lost temperature is known


def test_similar_motions_show_their_payload_and_which_are_not_alike() -> None:
    names = ("speed_deg_s", "load_nm", "temperature_c", "angle_deg", "duration_s", "current_a")
    own = dict.fromkeys(names, 1.0) | {"payload_kg": 1200.0}
    row = own | {"start": at(0), "distance": 37.0, "payload_kg": 350.0, "flagged": False}
    text = str(motions_table(pl.DataFrame([row]), own, lambda m: "/replay", ALIKE))
    assert "Payload" in text
    assert "'1200'" in text
    assert "'350'" in text
    assert "not alike" in text


def test_how_likely_a_cause_is_beside_the_named_one_is_no_share_of_what_it_explains() -> None:
    kinds = {"brake-drag": 1241.68, "friction": 1237.54, "stick-slip": 1227.54, "stall": 3.0}
    said = of_evidence({"kinds": kinds}, "brake-drag")
    assert {c.kind: c.odds for c in said.weighed} == {
        "friction": "about 1 in 63",
        "stick-slip": "less than 1 in 1,000",
    }
    assert odds_words(0.2) == "as likely"
    # one rule: what is not worth a line is counted and named in one
    assert said.out.startswith("7 other causes were weighed and explain too little of it: ")
    assert "stall" in said.out


def test_every_cause_is_listed_or_counted_once() -> None:
    from dashboards.queries.event.causes import AGAINST

    kinds = {"current-sensor": 55685.0, "brake-drag": 78.0, "friction": 94.0, "stick-slip": 3.0}
    said = of_evidence({"kinds": kinds}, "current-sensor")
    assert said.weighed == ()
    named = said.out.partition(": ")[2].partition(".")[0].split(", ")
    assert len(named) == len(set(named)) == len(AGAINST) - 2  # but the named one and "unusual"


def test_a_gap_and_a_release_say_what_was_expected_and_what_was_lost() -> None:
    gap = of_evidence({"measured": 14.9, "channels": ["current", "angle"]}, "gap")
    assert gap.seen == "no sample of current or angle for 14.9 s"
    late = of_evidence({"measured": 0.67, "usual_s": 0.1}, "late-release")
    assert late.expected.startswith("released 0.10 s after the command")
    assert late.by == "0.57 s later than usual"
    stall = of_evidence({"behind_command": 0.75, "push_a": 0.46}, "stall").seen
    assert stall.endswith("the motor pushes 0.46 A harder than expected, the way it was told")


def test_choosing_a_flag_says_that_a_person_was_on_the_tip(
    made: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(event_page, "person_words", lambda archive, session: [f"tip {session}"])
    shown = event_page._choose(SimpleNamespace(archive=made), "s1", [("s1", "s1")])
    assert "tip s1" in str(shown)
    assert "reason to look" in str(shown)


def test_a_slip_is_decided_on_with_that_nobody_knows_of_a_person(made: Archive) -> None:
    for kind, count in (("brake-slip", 1), ("stall", 1), ("gap", 0)):
        event = SimpleNamespace(record=made.session("s1"), kind=kind)
        said = str(event_page._person(SimpleNamespace(archive=made), event))
        assert said.count("It is not known for all of this session") == count, kind


def test_the_general_caution_is_not_said_again_on_the_page() -> None:
    assert "never clears" not in event_page.FLAG_CAUTION
    event = SimpleNamespace(kind="late-release")
    assert event_page.danger(event, {"pushed_a": 0.07, "quiet_a": 0.15}) is None
    assert "never clears" not in str(event_page.danger(event, {"pushed_a": 0.4, "quiet_a": 0.15}))


def test_the_noise_of_an_angle_that_jumps_is_not_the_jump(made: Archive) -> None:
    frame = made.samples("s1").collect()
    rng = np.random.default_rng(5)
    angle = 0.02 * np.arange(frame.height) + 0.003 * rng.normal(size=frame.height)
    angle[frame.height // 2 :] -= 5.18
    stream = frame.select("time", "J1.current_a", pl.Series("J1.angle_deg", angle))
    record = replace(
        made.session("s1"),
        session="jump",
        channels={"main": ("J1.current_a", "J1.angle_deg")},
    )
    made.add_session(record, {"main": stream})
    event = events.find_event(made, "jump", None, joint="J1", start=at(0), end=at(60))
    rows, _ = sensor_health(made, event, record.start, record.end)
    noise = dict(zip(rows["quantity"], rows["noise"], strict=True))["angle"]
    assert noise == pytest.approx(0.003, rel=0.3)


def shared_words(made: Archive) -> events.Event:
    """A minute of J1 and J2 at 10 Hz; one stream has both brakes' words, told on change."""
    frame = made.samples("s1").collect()
    lost = pl.col("time").is_between(*LOST)
    angle = 0.02 * pl.int_range(pl.len())
    same = pl.col("time").is_between(at(8), at(14))  # a temperature that did not change
    main = frame.select("time", "J1.current_a").with_columns(
        pl.when(~lost).then("J1.current_a").alias("J1.current_a"),
        angle.alias("J1.angle_deg"),
        pl.when(~same).then(20.0).alias("J1.temperature_c"),
    )
    words = pl.DataFrame(
        {
            "time": pl.Series([at(0), at(5), at(40), at(45)]).cast(main.schema["time"]),
            "J1.brake_engaged": [False, None, True, None],
            "J2.brake_engaged": [None, False, None, True],
        }
    )
    record = replace(
        made.session("s1"),
        session="shared",
        joints=("J1", "J2"),
        units={"J1": "TU-1", "J2": "TU-2"},
        channels={
            "main": ("J1.current_a", "J1.angle_deg", "J1.temperature_c"),
            "words": ("J1.brake_engaged", "J2.brake_engaged"),
        },
    )
    made.add_session(record, {"main": main, "words": words})
    return events.find_event(made, "shared", None, joint="J1", start=LOST[0], end=LOST[1])


def told(runs: pl.DataFrame, second: float) -> list[bool | None]:
    here = runs.filter((pl.col("start") <= at(second)) & (pl.col("end") > at(second)))
    return here["value"].to_list()


def test_a_brakes_word_holds_through_other_joints_words_and_is_unknown_over_a_gap_alone(
    made: Archive,
) -> None:
    event = shared_words(made)
    for window in ((at(3), at(55)), (at(22), at(30)), (at(25), at(50))):
        runs = brake_runs(made, event.record, "J1", "J1.brake_engaged", *window)
        for second, value in (
            (6, False),
            (19, False),
            (26, None),
            (33, False),
            (43, True),
            (50, True),
        ):
            if window[0] <= at(second) < window[1]:
                assert told(runs, second) == [value], (window, second)
        assert runs["end"].max() == window[1]
    gap = runs.filter(pl.col("value").is_null())
    assert gap["end"].to_list() == [at(32.1)]  # the next sample there is


def test_the_brake_sequence_takes_no_word_of_another_joint_for_silence(made: Archive) -> None:
    event = shared_words(made)
    rows = brake_sequence(made, event, at(38), at(50), joints=["J1", "J2"])
    said = [(r["joints"], r["what"]) for r in rows.iter_rows(named=True) if "engaged" in r["what"]]
    assert said == [(["J1"], "engaged"), (["J2"], "engaged")]


def test_the_replay_draws_a_brake_as_the_event_does(made: Archive) -> None:
    record = shared_words(made).record
    runs = windows.runs(made, "shared")["J1.brake_engaged"]
    found = {
        second: runs["v"][int(np.searchsorted(runs["t"], second, side="right")) - 1]
        for second in (6, 11, 19, 26, 33, 43, 50)
    }
    assert found == {6: 0, 11: 0, 19: 0, 26: -1, 33: 0, 43: 1, 50: 1}
    assert runs["t"][-1] == pytest.approx((record.end - record.start).total_seconds())
    other = windows.runs(made, "shared")["J2.brake_engaged"]
    assert (other["t"][0], other["v"]) == (5.0, [0, 1])
