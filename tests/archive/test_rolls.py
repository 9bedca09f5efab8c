"""Which sessions a table has rows of: told in short, without the table, and never wrong."""

from __future__ import annotations

import random
from pathlib import Path

import polars as pl
import pytest

from replay.archive import Archive, open_archive, repair, verify
from replay.archive import rolls as room
from replay.archive.rolls import Rolls, roll_of
from replay.archive.tables import abouts, parts, tables
from tests.archive.test_unit_parts import name_of, opened, rows, units_of

NAME = "indicators"


@pytest.fixture(autouse=True)
def _small(monkeypatch: pytest.MonkeyPatch) -> None:
    """Parts of sixty rows, made at every fourth commit; a roll is kept at every fifth."""
    monkeypatch.setattr(parts, "PART_ROWS", 60)
    monkeypatch.setattr(tables, "TIDY_EVERY", 4)
    monkeypatch.setattr(room, "RENEW", 5)


def put(archive: Archive, n: int, value: float = 1.0) -> None:
    archive.replace(NAME, rows(n, value), session=[name_of(n)], units=units_of(n))


def true_roll(root: Path) -> list[tuple[object, ...]]:
    archive = open_archive(root)
    return sorted(roll_of(NAME, archive.tables).rows())


def told(root: Path) -> list[tuple[object, ...]]:
    """Return the roll as a process that has read nothing is told it."""
    return sorted(open_archive(root).roll(NAME).rows())


def test_the_roll_follows_the_rows_whatever_is_done_to_them(tmp_path: Path) -> None:
    root, draw = tmp_path / "archive", random.Random(5)
    archive = open_archive(root, create=True)
    assert archive.roll(NAME).height == 0
    for step in range(40):
        n = draw.randrange(20)
        what = draw.choice(["put", "put", "put", "drop", "beside", "compact"])
        if what == "put":
            archive.replace(NAME, rows(n, float(step)), session=[name_of(n)])
        elif what == "drop":
            archive.replace(NAME, pl.DataFrame(), session=[name_of(n)])
        elif what == "beside":
            other = rows(n).with_columns(
                serial=pl.lit("spare"), start=pl.col("start").dt.offset_by("-1h")
            )
            archive.append(NAME, other)
        elif archive.tables.version(NAME) is not None:
            archive.tables.tidy(NAME, keep_hours=0, drop=True)
        if draw.random() < 0.3:
            assert sorted(archive.roll(NAME).rows()) == true_roll(root), f"step {step}, {what}"
        if draw.random() < 0.3:
            assert told(root) == true_roll(root), f"step {step}, {what}"
    assert told(root)
    assert [f for f in verify(open_archive(root)) if f.weight == "damage"] == []


def test_a_kept_roll_is_told_without_the_table(tmp_path: Path) -> None:
    root = tmp_path / "archive"
    archive = open_archive(root, create=True)
    for n in range(20):
        put(archive, n)
    archive.roll(NAME)
    put(archive, 20)
    put(archive, 3, 2.0)
    with opened() as seen:
        found = open_archive(root).roll(NAME)
    assert found.height == 21
    assert not seen


def test_a_commit_of_an_older_program_has_the_table_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    root = tmp_path / "archive"
    archive = open_archive(root, create=True)
    put(archive, 0)
    mark = archive.tables.mark(NAME)
    assert archive.roll(NAME).height == 1
    with monkeypatch.context() as patch:
        patch.setattr(abouts, "metadata", lambda *_: None)
        put(open_archive(root), 1)
    assert archive.units_since(NAME, mark) is None
    assert sorted(archive.roll(NAME).rows()) == told(root) == true_roll(root)


def test_it_is_told_of_which_units_rows_came_or_went(tmp_path: Path) -> None:
    root = tmp_path / "archive"
    archive = open_archive(root, create=True)
    for n in range(8):
        put(archive, n)
    mark = archive.tables.mark(NAME)
    assert archive.units_since(NAME, mark) == set()
    put(archive, 8)
    assert open_archive(root).units_since(NAME, mark) == set(units_of(8))
    archive.replace(NAME, pl.DataFrame(), session=[name_of(1)])
    assert archive.units_since(NAME, mark) == {*units_of(8), *units_of(1)}
    moved = rows(4).with_columns(serial=pl.lit("another"))
    archive.replace(NAME, moved, session=[name_of(4)])
    assert open_archive(root).units_since(NAME, mark) == {
        *units_of(8),
        *units_of(1),
        *units_of(4),
        "another",
    }
    (root / "tables/indicators/_manifest.json").unlink()
    repair(open_archive(root))
    assert open_archive(root).units_since(NAME, mark) is None  # another table, of the same rows
    assert told(root) == true_roll(root)


def test_a_roll_that_tells_of_other_sessions_is_found_and_made_again(tmp_path: Path) -> None:
    root = tmp_path / "archive"
    archive = open_archive(root, create=True)
    for n in range(6):
        put(archive, n)
    right = archive.roll(NAME)
    archive.rolls.keep(NAME, archive.tables.mark(NAME), right.head(4))
    found = verify(open_archive(root))
    assert [(f.kind, f.weight, f.where) for f in found] == [
        ("roll", "damage", "documents/rolls/indicators.parquet")
    ]
    assert all(m.done for m in repair(open_archive(root), found))
    assert verify(open_archive(root)) == []
    assert told(root) == true_roll(root)
    for where in ("documents", "copies/documents"):
        (root / where / "rolls/indicators.parquet").write_bytes(where.encode())
    found = verify(open_archive(root))
    assert [(f.kind, f.remedy) for f in found] == [("roll", "repair")]
    repair(open_archive(root), found)
    assert verify(open_archive(root)) == []
    assert told(root) == true_roll(root)


def test_an_archive_that_cannot_be_written_tells_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    root = tmp_path / "archive"
    archive = open_archive(root, create=True)
    put(archive, 0)

    def refused(*_: object) -> None:
        raise OSError("read-only")

    monkeypatch.setattr(Rolls, "keep", refused)
    assert open_archive(root).roll(NAME).height == 1
    assert not (root / "documents/rolls").exists()
