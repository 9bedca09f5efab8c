"""Killed while a table's roll and its units' trends are brought up to date: neither is wrong."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from replay.archive import open_archive, verify
from replay.wear import trends
from tests.crash.summaries import checked, measured
from tests.crash.victims import Victims

STORED, AGAIN, KILLS = 4, 2, 6


@pytest.mark.timeout(300)
def test_killed_at_any_step_what_is_kept_in_short_agrees_with_the_table(tmp_path: Path) -> None:
    start, whole, count = tmp_path / "start", tmp_path / "whole", tmp_path / "count"
    archive = open_archive(start, create=True)
    for n in range(STORED):
        archive.replace("indicators", measured(n), session=[f"s{n:03d}"])
    archive.roll("indicators")
    trends(archive)
    before = checked(start)
    shutil.copytree(start, whole)
    with Victims() as victims:
        job = {"what": "summary", "number": AGAIN}
        assert victims.run(**job, root=str(whole), count=str(count)) == 0
        done = checked(whole)
        assert done != before
        assert done[0] == STORED
        steps = int(count.read_text())
        assert steps > 20
        seen = []
        for at in range(2, steps + 1, max(1, steps // KILLS)):
            root = tmp_path / f"at{at}"
            shutil.copytree(start, root)
            assert victims.run(**job, root=str(root), at_step=at) == -9, f"step {at} of {steps}"
            found = [
                f"{f.kind} {f.where}" for f in verify(open_archive(root)) if f.weight == "damage"
            ]
            assert found == [], f"killed before step {at}"
            seen.append(checked(root))
            assert seen[-1] in (before, done), f"killed before step {at}"
            shutil.rmtree(root)
    assert {*seen} == {before, done}
