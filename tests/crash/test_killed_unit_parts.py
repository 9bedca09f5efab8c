"""Killed just before what a table in the order of units does to the disk, thing by thing.

The table is one of before: its parts lie in the order of sessions, and nothing is known of units.
"""

from __future__ import annotations

import shutil
from collections import Counter
from pathlib import Path

import pytest

from replay.archive import open_archive
from replay.archive.care.verify_tables import check_table
from replay.archive.disk.place import DiskPlace
from replay.archive.tables import parts, tables
from replay.archive.tables.manifest import read_manifest
from tests.archive.test_unit_parts import EACH, UNITS, name_of, of_before, units_of
from tests.crash.victims import Victims

STORED, AGAIN, NEW = 48, 7, 300
ACTS = {"add": NEW, "measure again": AGAIN, "compact": None, "repair": None}
Told = dict[str, tuple[int, float]]


def damaged(root: Path) -> list[str]:
    found = check_table(open_archive(root).place, "indicators")
    return [f"{f.kind} {f.where}" for f in found if f.weight == "damage"]


def told(root: Path) -> Told:
    """Return rows and value of each session, after asking the same by units and by sessions."""
    whole = open_archive(root).table("indicators")
    counts = Counter(whole["session"])
    values = dict(whole.select("session", "value").iter_rows())
    fresh = open_archive(root)
    by_units = Counter(
        s for unit in UNITS for s in fresh.rows_of_units("indicators", [unit])["session"]
    )
    assert by_units == counts
    for n in (0, AGAIN, NEW):
        near = fresh.rows_of("indicators", [name_of(n)], units=units_of(n))
        assert near.height == counts[name_of(n)]
    return {session: (count, values[session]) for session, count in counts.items()}


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("units") / "archive"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(parts, "PART_ROWS", 60)
        patch.setattr(tables, "TIDY_EVERY", 4)
        of_before(root, STORED)
    return root


@pytest.mark.timeout(900)
@pytest.mark.parametrize("act", ACTS)
def test_killed_before_each_step_no_row_is_lost_or_double(
    base: Path, tmp_path: Path, act: str
) -> None:
    start, whole, count = tmp_path / "start", tmp_path / "whole", tmp_path / "count"
    shutil.copytree(base, start)
    before = told(start)
    assert before == {name_of(n): (EACH * 3, 1.0) for n in range(STORED)}
    if act == "repair":  # the manifest has gone: all is written anew, in parts
        (start / "tables/indicators/_manifest.json").unlink()
    number = ACTS[act]
    done = before | ({} if number is None else {name_of(number): (EACH * 3, 2.0)})
    shutil.copytree(start, whole)
    with Victims() as victims:
        job = {"what": "unit part", "act": act, "number": number}
        assert victims.run(**job, root=str(whole), count=str(count)) == 0
        assert told(whole) == done
        held = read_manifest(DiskPlace(whole).child("tables", "indicators"))
        assert held is not None
        assert all(m.bounds and "serial" in m.bounds.spans for m in held.files.values())
        steps = int(count.read_text())
        assert steps > 15
        seen: list[Told] = []
        for at in range(1, steps + 1, max(1, steps // 4)):
            root = tmp_path / f"at{at}"
            shutil.copytree(start, root)
            assert victims.run(**job, root=str(root), at_step=at) == -9, f"step {at} of {steps}"
            lost = damaged(root)
            assert act == "repair" or lost == [], f"killed before step {at}"
            if not lost:
                seen.append(told(root))
                assert seen[-1] in (before, done), f"killed before step {at}"
            assert victims.run(**job, root=str(root)) == 0
            assert damaged(root) == [], f"done again after step {at}"
            assert told(root) == done, f"done again after step {at}"
            shutil.rmtree(root)
    if number is not None:
        assert seen[0] == before
        assert seen[-1] == done
