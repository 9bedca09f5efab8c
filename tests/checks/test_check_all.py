"""Many sessions checked in one go: stored in batches, and stored when stopped early."""

from __future__ import annotations

import sys
from dataclasses import replace

import pytest

from replay.checks import check, check_all, flags
from replay.errors import ArchiveError
from tests.checks.work_cycles import cycle


def test_batches_leave_what_single_checks_would(cell, monkeypatch):
    names = [cycle(cell, 500 + k, "friction" if k % 2 else "") for k in range(5)]
    # the package's door has a function of the module's name
    monkeypatch.setattr(sys.modules["replay.checks.check"], "BATCH", 2)
    results = list(check_all(cell, names))
    assert [r.session for r in results] == names
    kept = flags(cell, names)
    assert sorted(kept["flag"]) == sorted(f.flag for r in results for f in r.flags)
    assert kept["session"].n_unique() == 2
    checks = cell.table("checks")
    assert checks.filter(checks["session"].is_in(names)).height == 5


def test_what_was_checked_is_stored_when_the_caller_stops(cell):
    names = [cycle(cell, 600 + k, "friction") for k in range(3)]
    running = check_all(cell, names)
    next(running)
    running.close()
    assert flags(cell, names)["session"].unique().to_list() == names[:1]


def test_a_session_that_cannot_be_checked_is_told_and_the_others_go_on(cell):
    name = cycle(cell, 700)
    refused = []
    results = list(
        check_all(cell, ["no such", name], on_error=lambda n, e: refused.append((n, str(e))))
    )
    assert [r.session for r in results] == [name]
    assert [n for n, _ in refused] == ["no such"]
    with pytest.raises(ArchiveError):
        list(check_all(cell, ["no such"]))


def test_a_joint_without_current_is_said_not_to_be_judged(cell):
    name = cycle(cell, 800)
    record = cell.session(name)
    rows = cell.samples(name).collect().drop("Z.current_a")
    names = tuple(c for c in rows.columns if c != "time")
    cell.add_session(replace(record, session="c801", channels={"main": names}), {"main": rows})
    result = check(cell, "c801")
    assert "Z: not judged: it has no motor current in this session" in result.note
    assert "Z:" not in check(cell, name).note.replace("U-Z:", "")
