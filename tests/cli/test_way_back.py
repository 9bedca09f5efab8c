"""What was taken in wrongly can be taken out, or read anew, and what was said of it stays."""

from __future__ import annotations

import json
from pathlib import Path

import polars as pl
import pytest

from replay.archive import Archive, open_archive, verify
from replay.archive.schemas import TABLES
from replay.cli.main import main
from replay.reviews import history
from tests.cleaning.logs import MAP, only, table, take

WRONG = MAP.replace('unit = "deg"', 'unit = "rad"')


def flagged(archive: Archive, session: str) -> None:
    """Put a flag on a session."""
    row = {
        "flag": "f1", "session": session, "joint": "J1", "kind": "friction", "severity": "look",
        "summary": "J1 draws more than it should", "score": 5.0, "evidence": "{}",
    }  # fmt: skip
    frame = pl.DataFrame([row]).select(
        *(
            (pl.col(c) if c in row else pl.lit(None)).cast(t).alias(c)
            for c, t in TABLES["flags"].items()
        )
    )
    archive.append("flags", frame)


def test_a_session_is_taken_out_and_its_flags_stay_on_record(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table(100).write_csv(tmp_path / "log.csv")
    archive, result = take(tmp_path, tmp_path / "log.csv")
    session = only(result).session
    flagged(archive, session)
    where = ("--archive", str(tmp_path / "archive"))
    assert main(["archive", "remove", session[:10], *where]) == 2  # no reason given
    assert open_archive(tmp_path / "archive").has_session(session)
    why = ("--why", "another arm's log", "--who", "R. Reed")
    assert main(["archive", "remove", session[:10], *why, *where, "--json"]) == 0
    archive = open_archive(tmp_path / "archive")
    assert not archive.has_session(session)
    assert not [f for f in verify(archive) if f.weight == "damage"]
    (entry,) = [e for e in history(archive, session) if e.what == "withdrawn"]
    assert entry.who == "R. Reed"
    assert entry.after is not None
    assert entry.after["why"] == "another arm's log"
    assert entry.after["flags"][0]["summary"] == "J1 draws more than it should"
    again = take(tmp_path, tmp_path / "log.csv")[1]
    assert only(again).session == session  # it may come back


def test_a_log_is_read_anew_under_a_corrected_map(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    frame = table(100)
    frame.write_csv(tmp_path / "log.csv")
    archive, result = take(tmp_path, tmp_path / "log.csv", log_map=WRONG)
    old = only(result).session
    flagged(archive, old)
    (tmp_path / "right.toml").write_text(MAP)
    words = ["ingest", str(tmp_path / "log.csv"), "--map", str(tmp_path / "right.toml")]
    where = ["--archive", str(tmp_path / "archive"), "--json"]
    assert main([*words, *where]) == 1  # without --replace it overlaps with what is stored
    capsys.readouterr()
    assert main([*words, "--replace", *where]) == 0
    told = json.loads(capsys.readouterr().out)
    new = told["sessions"][0]["session"]
    assert told["replaced"] == {new: old}
    archive = open_archive(tmp_path / "archive")
    assert archive.sessions()["session"].to_list() == [new]
    stored = archive.samples(new).collect()
    assert stored["J1.angle_deg"].to_list() == frame["a1"].to_list()
    (entry,) = [e for e in history(archive, old) if e.what == "withdrawn"]
    assert entry.after is not None
    assert entry.after["instead"] == new
    assert len(entry.after["flags"]) == 1
    assert not [f for f in verify(archive) if f.weight == "damage"]


def test_the_same_map_again_replaces_nothing(tmp_path: Path) -> None:
    table(100).write_csv(tmp_path / "log.csv")
    _, result = take(tmp_path, tmp_path / "log.csv")
    again = take(tmp_path, tmp_path / "log.csv", replace_stored=True)[1]
    assert again.unchanged == [only(result).session]
    assert not again.replaced
