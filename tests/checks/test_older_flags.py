"""Flags and verdicts of an older program stay readable; its baseline does not judge any more."""

from __future__ import annotations

import json
from pathlib import Path

import orjson
import polars as pl
import pytest

from dashboards.queries.event.argument import argument
from replay.archive import Archive, open_archive
from replay.checks import check, flags
from replay.errors import BaselineError
from replay.reports.session_facts import session_facts
from replay.reviews import give_verdict, reviewed_flags
from tests.archive.streams import START, record, stream

SAID = "J1: the motion takes +0.62 A beyond the expected 1.07 A, not the gear's friction"
# as a program with format 8 of baselines stored it
EVIDENCE = {
    "detector": "change 16s",
    "detector_value": 44.25,
    "detectors": ["change 16s", "offset session", "wobble 6s"],
    "drag_a": 0.6174,
    "duration_s": 35.73,
    "expected_a": 1.0671,
    "explains": {"friction": 0.9974, "offset": 0.0238},
    "forward_a": 0.5913,
    "backward_a": -0.641,
    "kinds": {"brake-drag": 0.997, "friction": 0.698},
    "runner_up": "friction",
}


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    made = open_archive(tmp_path / "archive", create=True)
    frame = stream(400)
    made.add_session(record("s1", frame), {"main": frame})
    made.write_document("baselines/b1-0000.json", orjson.dumps({"format": 8, "version": "b1-0000"}))
    row = {
        "flag": "F118f1f27b3",
        "session": "s1",
        "joint": "J1",
        "unit": "TU-100",
        "kind": "brake-drag",
        "start": START,
        "end": frame["time"][-1],
        "score": 10.371,
        "severity": "act",
        "summary": SAID,
        "baseline": "b1-0000",
        "group": None,
        "evidence": json.dumps(EVIDENCE),
    }
    rows = pl.DataFrame([row], schema_overrides={"group": pl.String})
    made.replace("flags", rows, session=["s1"])
    give_verdict(made, "s1", "F118f1f27b3", "watch", note="heard it too", reviewer="R. Ellery")
    return made


def test_an_older_flag_is_listed_argued_and_reported(archive: Archive) -> None:
    assert flags(archive, ["s1"])["summary"].to_list() == [SAID]
    said = argument(archive, "s1", "F118f1f27b3", "brake-drag")
    assert said.expected == "1.07 A for this motion"
    assert said.by == "+0.62 A, 58 % more"
    assert [c.kind for c in said.weighed] == ["friction"]
    assert [f.summary for f in session_facts(archive, "s1").findings] == [SAID]


def test_its_verdict_stands(archive: Archive) -> None:
    kept = reviewed_flags(archive, "s1").row(0, named=True)
    assert (kept["verdict"], kept["note"]) == ("watch", "heard it too")


def test_its_baseline_is_refused_with_what_to_do(archive: Archive) -> None:
    with pytest.raises(BaselineError) as refused:
        check(archive, "s1")
    assert "format 8" in refused.value.sentence()
    assert "learn again" in refused.value.sentence()
    assert flags(archive, ["s1"]).height == 1
