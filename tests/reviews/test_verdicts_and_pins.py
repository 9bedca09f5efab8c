"""Verdicts and pins: nothing decided is ever overwritten or lost."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from replay.archive import Archive, open_archive
from replay.errors import UsageError
from replay.records import Session
from replay.reviews import (
    VERDICTS,
    add_pin,
    give_verdict,
    orphaned_verdicts,
    pin_history,
    pins,
    reviewed_flags,
    verdict_history,
    verdicts,
    withdraw_pin,
)

T0 = datetime(2031, 4, 2, 9, 0, tzinfo=UTC)


def at(seconds: float) -> datetime:
    return T0 + timedelta(seconds=seconds)


def flag_rows(*rows: tuple[str, str, str, float]) -> pl.DataFrame:
    return pl.DataFrame(
        [
            {
                "flag": name,
                "session": "s1",
                "joint": joint,
                "unit": f"TU-{joint}",
                "kind": "friction",
                "start": at(10),
                "end": at(12),
                "score": score,
                "severity": severity,
                "summary": "more current than usual",
                "baseline": None,
                "group": None,
                "evidence": "{}",
            }
            for name, joint, severity, score in rows
        ],
        schema_overrides={"baseline": pl.String, "group": pl.String},
    )


@pytest.fixture
def archive(tmp_path) -> Archive:
    made = open_archive(tmp_path / "archive", create=True)
    times = pl.datetime_range(T0, at(60), "100ms", time_unit="ns", time_zone="UTC", eager=True)
    frame = pl.DataFrame({"time": times}).with_columns(pl.lit(1.0).alias("J1.current_a"))
    made.add_session(
        Session(
            session="s1",
            source="heron.csv",
            arm="Heron",
            rows=frame.height,
            start=T0,
            end=at(60),
            joints=("J1", "J2"),
            units={"J1": "TU-J1", "J2": "TU-J2"},
            channels={"main": ("J1.current_a",)},
        ),
        {"main": frame},
    )
    made.replace(
        "flags",
        flag_rows(("f1", "J1", "note", 9.0), ("f2", "J2", "act", 4.0), ("f3", "J1", "look", 6.0)),
        session=["s1"],
    )
    return made


def test_flags_are_listed_most_urgent_first_and_open(archive):
    listed = reviewed_flags(archive, "s1")
    assert listed["flag"].to_list() == ["f2", "f3", "f1"]
    assert listed["verdict"].to_list() == ["open"] * 3


def test_the_newest_verdict_holds_and_the_older_ones_stay(archive):
    give_verdict(archive, "s1", "f1", "watch", reviewer="R. Moss", note="see next time", at=at(100))
    give_verdict(archive, "s1", "f1", "repair", reviewer="K. Fell", note="seal", at=at(200))
    row = verdicts(archive, "s1").row(0, named=True)
    assert (row["verdict"], row["reviewer"], row["revisions"]) == ("repair", "K. Fell", 2)
    history = verdict_history(archive, "s1", "f1")
    assert history["verdict"].to_list() == ["watch", "repair"]
    assert history["note"].to_list() == ["see next time", "seal"]
    assert history["at"].to_list() == [at(100), at(200)]
    beside = reviewed_flags(archive, "s1").filter(pl.col("flag") == "f1")
    assert beside["verdict"].item() == "repair"


def test_a_flag_can_be_opened_again(archive):
    give_verdict(archive, "s1", "f3", "explained", reviewer="R. Moss", at=at(1))
    give_verdict(archive, "s1", "f3", "open", reviewer="R. Moss", at=at(2))
    assert verdicts(archive, "s1")["verdict"].to_list() == ["open"]


def test_a_verdict_outlives_the_flag_it_was_about(archive):
    give_verdict(archive, "s1", "f1", "explained", reviewer="R. Moss", note="payload was heavy")
    archive.replace("flags", flag_rows(("f9", "J1", "note", 9.0)), session=["s1"])
    left = orphaned_verdicts(archive, "s1")
    assert left["flag"].to_list() == ["f1"]
    assert left.select("joint", "kind", "start").row(0) == ("J1", "friction", at(10))
    assert reviewed_flags(archive, "s1")["flag"].to_list() == ["f9"]


@pytest.mark.parametrize(
    ("flag", "verdict", "reviewer", "note", "needle"),
    [
        ("nope", "watch", "R. Moss", "", "no flag 'nope'"),
        ("f1", "fine", "R. Moss", "", "no verdict 'fine'"),
        ("f1", "watch", "  ", "", "reviewer's name"),
        ("f1", "repair", "R. Moss", "", "needs a note"),
        ("f1", "false-flag", "R. Moss", " ", "needs a note"),
        ("f1", "watch", "R. Moss", "x" * 4001, "4001 characters"),
    ],
)
def test_a_bad_verdict_is_refused_and_nothing_is_written(
    archive, flag, verdict, reviewer, note, needle
):
    with pytest.raises(UsageError, match=needle):
        give_verdict(archive, "s1", flag, verdict, reviewer=reviewer, note=note)
    assert verdict_history(archive, "s1").height == 0


def test_two_reviewers_at_once_lose_nothing(archive):
    def decide(n: int) -> None:
        give_verdict(archive, "s1", "f1", "watch", reviewer=f"reviewer {n}", at=at(n))

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(decide, range(12)))
    history = verdict_history(archive, "s1", "f1")
    assert sorted(history["reviewer"]) == sorted(f"reviewer {n}" for n in range(12))
    last = history["reviewer"][-1]  # by the record's order: the clocks may disagree
    assert verdicts(archive, "s1")["reviewer"].to_list() == [last]


def test_every_verdict_says_what_it_commits_to():
    assert all(len(meaning) > 10 for meaning in VERDICTS.values())


def test_pins_are_found_by_span_changed_and_withdrawn(archive):
    first = add_pin(archive, "s1", at(5), text="hand on the tip here", author="R. Moss", at=at(100))
    span = add_pin(
        archive, "s1", at(20), at(30), text="slow", author="K. Fell", joint="J2", at=at(101)
    )
    assert pins(archive, "s1")["pin"].to_list() == [first.pin, span.pin]
    assert pins(archive, "s1", start=at(29), end=at(40))["pin"].to_list() == [span.pin]
    add_pin(
        archive, "s1", at(20), at(31), text="slower", author="K. Fell", joint="J2",
        pin=span.pin, at=at(102),
    )  # fmt: skip
    assert pins(archive, "s1").filter(pl.col("pin") == span.pin)["text"].item() == "slower"
    withdraw_pin(archive, "s1", span.pin, author="R. Moss", at=at(103))
    assert pins(archive, "s1")["pin"].to_list() == [first.pin]
    assert pin_history(archive, "s1").height == 4


@pytest.mark.parametrize(
    ("start", "end", "text", "joint", "needle"),
    [
        (70, None, "late", None, "outside the session"),
        (20, 10, "backwards", None, "before it starts"),
        (5, None, " ", None, "needs a text"),
        (5, None, "which joint", "J9", "no joint 'J9'"),
    ],
)
def test_a_bad_pin_is_refused(archive, start, end, text, joint, needle):
    with pytest.raises(UsageError, match=needle):
        add_pin(
            archive,
            "s1",
            at(start),
            None if end is None else at(end),
            text=text,
            author="R. Moss",
            joint=joint,
        )
    assert pins(archive, "s1").height == 0
