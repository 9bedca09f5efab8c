"""One small archive, and what this process alone concludes from it."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

import pytest

from replay.archive import Archive, open_archive
from replay.checks import check_all, flags, learn
from replay.models import Baseline
from replay.wear import indicators
from replay.workers import in_turn
from replay.workers.each import Each
from tests.checks.sessions import add, bench

NAMES = ["s0", "s1", "s2", "s3", "s4", "s5"]


@dataclass(frozen=True)
class Alone:
    """The archive before anything was learned, one after learning, and all that came of it."""

    bare: Path
    learned: Path
    baseline: Baseline
    outcome: tuple[object, ...]


def concluded(archive: Archive, each: Each) -> tuple[Baseline, tuple[object, ...]]:
    """Learn, check and measure; return all that came of it but instants of the work."""
    baseline = learn(archive, NAMES[:5], each=each)
    list(check_all(archive, NAMES, baseline, each=each))
    indicators(archive, each=each)
    return baseline, outcome(archive)


def outcome(archive: Archive) -> tuple[object, ...]:
    """Return what is stored: flags, checks, indicators, baselines."""
    from replay.models import list_versions

    checks = archive.table("checks").drop("checked_at").sort("session").to_dicts()
    table = archive.table("indicators")  # its rows lie in no order
    measured = table.sort("session", "joint", "indicator", *table.columns).write_json()
    return flags(archive).to_dicts(), checks, measured, list_versions(archive)


@pytest.fixture(scope="session")
def alone(tmp_path_factory: pytest.TempPathFactory) -> Alone:
    folder = tmp_path_factory.mktemp("alone")
    archive = open_archive(folder / "learned", create=True)
    for k, name in enumerate(NAMES):
        columns = bench(k, minutes=1.5)
        if k == 5:  # more friction than the others
            columns["P1"]["current_a"] = columns["P1"]["current_a"] * 5.0
        add(archive, name, columns, day=k)
    shutil.copytree(folder / "learned", folder / "bare")
    baseline, made = concluded(archive, in_turn)
    return Alone(folder / "bare", folder / "learned", baseline, made)


@pytest.fixture
def bare(alone: Alone, tmp_path: Path) -> Archive:
    return open_archive(shutil.copytree(alone.bare, tmp_path / "bare"))


@pytest.fixture
def learned(alone: Alone, tmp_path: Path) -> Archive:
    return open_archive(shutil.copytree(alone.learned, tmp_path / "learned"))
