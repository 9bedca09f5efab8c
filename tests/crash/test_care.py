"""Small runs of the care campaigns; `tests.benchmarks.archive_care` is the long one."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pytest

from replay.archive import open_archive
from tests.archive.test_never_lie import answers
from tests.crash.care import base_archive, corruptions, kills, power_cuts, steps_of
from tests.crash.victims import Victims

OTHER = 61_234
"""A user and a group that nobody has."""


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return base_archive(tmp_path_factory.mktemp("care"))


@pytest.mark.timeout(600)
def test_one_harmed_file_is_told_and_what_people_gave_comes_back(
    base: Path, tmp_path: Path
) -> None:
    found = corruptions(base, tmp_path, 8)
    assert found["wrong shown"] == 0, found
    assert found["noticed or harmless"] == found["harmed"], found
    assert found["people restored"] == found["people asked"], found


MENDING = ("repair", "compact", "ingest --replace", "remove")
"""What ordinary writing does, `test_killed_at_steps` and `test_killed_ingest` show."""


@pytest.fixture(scope="module")
def victims() -> Iterator[Victims]:
    with Victims() as there:
        yield there


@pytest.fixture(scope="module")
def steps(victims: Victims, base: Path) -> dict[str, int]:
    return steps_of(victims, base, base.parent, MENDING)


def what_went_wrong(found: Counter[str]) -> dict[str, int]:
    fine = ("kills", "cuts", "finished first")
    return {n: c for n, c in found.items() if c and n not in fine}


def test_killed_while_mending_nothing_is_lost(
    victims: Victims, base: Path, steps: dict[str, int]
) -> None:
    found = kills(victims, base, base.parent, 5, steps=steps)
    assert what_went_wrong(found) == {}
    assert found["kills"] == 5


def test_power_cut_while_mending_nothing_is_lost(
    victims: Victims, base: Path, steps: dict[str, int]
) -> None:
    found = power_cuts(victims, base, base.parent, 5, steps=steps)
    assert what_went_wrong(found) == {}
    assert found["cuts"] == 5


@pytest.mark.skipif(os.geteuid() != 0, reason="becoming another user needs root")
@pytest.mark.parametrize("umask", [0o022, 0o002])
def test_another_user_of_the_group_reads_all_and_is_told_when_they_may_not_write(
    victims: Victims, base: Path, umask: int
) -> None:
    with tempfile.TemporaryDirectory() as open_folder:
        os.chmod(open_folder, 0o777)  # as pytest's own folders are not
        root, said = Path(open_folder) / "archive", Path(open_folder) / "said.json"
        shutil.copytree(base, root)
        for path in (root, *root.rglob("*")):
            os.chown(path, 0, OTHER)
            os.chmod(path, (0o777 if path.is_dir() else 0o666) & ~umask)
        job = {"root": str(root), "said": str(said), "umask": umask}
        assert victims.run(what="share", uid=OTHER, gid=OTHER, **job) == 0
        told = json.loads(said.read_text())
        wrote = told.pop("wrote")
        assert told == {n: repr(a) for n, a in answers(base).items()}
        if umask == 0o022:
            assert "read-only here" in wrote
        else:
            assert wrote == "yes"
            assert open_archive(root).table("notes")["text"].to_list() == ["theirs"]
            open_archive(root).append("notes", pl.DataFrame({"session": ["s1"], "text": ["ours"]}))
