"""An archive may lie at any path that the disk takes."""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from replay.archive import open_archive, repair, verify
from replay.cli.main import main
from replay.record import Draft, open_record
from replay.record.proof import prove
from tests.archive.streams import record, stream

FRAME = stream(300)
NAMES = st.text(
    st.characters(codec="utf-8", exclude_characters="/\x00", exclude_categories=("Cs",)),
    min_size=1,
    max_size=40,
).filter(lambda name: name not in (".", "..") and len(name.encode()) < 200)

HARD = "50%20 [a] {b} #c ?d 'e' \"f\" \\g :h *i ;j ~k $l &m\nn"


def use(path: str | Path) -> None:
    """Everything that an archive does, at a path."""
    archive = open_archive(path, create=True)
    assert archive.add_session(record("s1", FRAME), {"main": FRAME})
    for n in range(2):
        archive.append("pins", pl.DataFrame({"session": ["s1"], "pin": [f"p{n}"]}))
        flags = pl.DataFrame({"session": ["s1"], "flag": [f"f{n}"]})
        archive.replace("flags", flags, session=["s1"])
    archive.write_document("baselines/b1.json", b"{}")
    archive.tables.tidy("pins", keep_hours=0, drop=True)
    check(path)
    next((Path(path) / "tables/pins").glob("*.parquet")).write_bytes(b"no more")
    repair(open_archive(path))
    check(path)


def check(path: str | Path) -> None:
    again = open_archive(path)
    assert again.samples("s1").collect().equals(FRAME)
    assert again.across(["J1.current_a"]).collect().height == FRAME.height
    assert again.window("s1", ["J1.current_a"])["J1.current_a"][1].size == FRAME.height
    assert again.spans("s1", "phase")["value"].to_list() == ["approach", "stow"]
    assert again.table("pins")["pin"].to_list() == ["p0", "p1"]
    assert again.table("flags")["flag"].to_list() == ["f1"]
    scanned = again.scan_table("flags")
    assert scanned is not None
    assert scanned.collect()["flag"].to_list() == ["f1"]
    assert again.read_document("baselines/b1.json") == b"{}"
    assert verify(again) == []


@settings(max_examples=6, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(NAMES)
@example("blank and ümlaut")
@example(HARD)
@example("s3:looks like a store")
@example("日本語" * 20)
def test_any_name(name: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        use(Path(folder) / name / "archive")


@pytest.mark.parametrize("name", [HARD, "日本語" * 20])
def test_the_record_at_any_name(tmp_path: Path, name: str) -> None:
    archive = open_archive(tmp_path / name / "archive", create=True)
    open_record(archive).append([Draft("setting", "colour", "set", "R. Moss", after={"is": 1})])
    again = open_archive(archive.root)
    assert [e.subject for e in open_record(again).entries("setting")] == ["colour"]
    (archive.root / "record/record.sqlite").unlink()
    assert main(["archive", "repair", "--archive", str(archive.root)]) == 0
    assert prove(open_archive(archive.root)).whole
    assert open_record(open_archive(archive.root)).entries("setting")


def test_relative_moved_and_linked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    use("here: an archive")
    shutil.move("here: an archive", tmp_path / "moved [1]")
    check("moved [1]")
    os.symlink(tmp_path / "moved [1]", tmp_path / "link")
    check("link")
    open_archive("link").append("notes", pl.DataFrame({"session": ["s1"], "text": ["by link"]}))
    assert open_archive("moved [1]").table("notes").height == 1
