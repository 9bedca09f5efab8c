"""Killed just before what making parts of a table does to the disk, thing by thing."""

from __future__ import annotations

import random
import shutil
from pathlib import Path

import pytest

from replay.archive import catalogue, open_archive
from replay.archive.care.findings import Finding
from replay.archive.care.verify_tables import check_table
from replay.archive.disk.place import DiskPlace
from replay.archive.tables.manifest import read_manifest
from tests.archive.test_parts import filled, row
from tests.crash.victims import Victims

NAMES = {row(n)["session"][0] for n in range(24)}
NEW = row(100)["session"][0]


def tables_of(root: Path) -> list[Finding]:
    """Return what is damaged in the catalogue; what a stopped writer leaves over is none."""
    found = check_table(open_archive(root).place, "sessions")
    return [f for f in found if f.weight == "damage"]


def listed(root: Path) -> set[str]:
    """Return the sessions that the whole table has, after comparing the questions with it."""
    whole = open_archive(root).table("sessions")
    assert whole.height == whole["session"].n_unique()
    fresh = open_archive(root)
    assert fresh.count() == whole.height
    newest = catalogue.oldest_first(whole)["session"].tail(3).to_list()[::-1]
    assert fresh.newest(3)["session"].to_list() == newest
    there = set(whole["session"])
    for name in (*sorted(NAMES)[::6], NEW):
        assert fresh.has_session(name) == (name in there)
    return there


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("parts") / "archive"
    numbers = list(range(24))
    random.Random(5).shuffle(numbers)
    filled(root, numbers, each=4)
    assert listed(root) == NAMES
    return root


@pytest.mark.timeout(900)
@pytest.mark.parametrize("act", ["add", "compact", "repair"])
def test_killed_before_each_step_no_row_is_lost_or_double(
    base: Path, tmp_path: Path, act: str
) -> None:
    start = tmp_path / "start"
    shutil.copytree(base, start)
    if act == "repair":  # the manifest has gone: all is written anew, in parts
        (start / "tables/sessions/_manifest.json").unlink()
    whole, count = tmp_path / "whole", tmp_path / "count"
    shutil.copytree(start, whole)
    done = NAMES | {NEW} if act == "add" else NAMES
    with Victims() as victims:
        assert victims.run(what="part", act=act, root=str(whole), count=str(count)) == 0
        assert listed(whole) == done
        before, after = (
            read_manifest(DiskPlace(r).child("tables", "sessions")) for r in (base, whole)
        )
        assert before is not None
        assert after is not None
        assert len(after.files) > 3, "nothing was parted"
        assert set(after.files) != set(before.files)
        steps = int(count.read_text())
        assert steps > 15
        seen = []
        for at in range(1, steps + 1, 1 if act == "add" else 4):  # the others commit alike
            root = tmp_path / f"at{at}"
            shutil.copytree(start, root)
            code = victims.run(what="part", act=act, root=str(root), at_step=at)
            assert code == -9, f"step {at} of {steps}"
            damaged = tables_of(root)
            assert act == "repair" or damaged == [], f"killed before step {at}"
            if not damaged:
                there = listed(root)
                assert there in (NAMES, done)
                seen.append(len(there))
            assert victims.run(what="part", act=act, root=str(root)) == 0
            assert tables_of(root) == [], f"done again after step {at}"
            assert listed(root) == done, f"done again after step {at}"
            shutil.rmtree(root)
    if act == "add":
        assert seen == sorted(seen)
        assert set(seen) == {24, 25}
