"""The catalogue in parts: a question opens the parts it falls into, and hears the same."""

from __future__ import annotations

import random
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from unittest import mock

import polars as pl
import pytest

from replay.archive import Archive, catalogue, open_archive, repair, verify
from replay.archive.care.repair_tables import swap_in
from replay.archive.disk.place import DiskPlace
from replay.archive.disk.seal import sealed, unsealed
from replay.archive.tables import parts
from replay.archive.tables.bounds import Bounds, bounds_of
from replay.archive.tables.manifest import Mark, read_manifest
from replay.errors import ArchiveError, DamageError
from replay.records import Session
from tests.reviews.makers import add_session

START = datetime(2031, 1, 1, tzinfo=UTC)
NOTE = "/archive/tables/sessions/"


def row(number: int, arm: str = "", earlier: str | None = None) -> pl.DataFrame:
    start = START + timedelta(hours=number)
    session = Session(
        session=f"{start:%Y%m%dT%H%M%SZ}-{number}",
        source="made.csv",
        arm=arm or f"arm {number % 3}",
        rows=10,
        start=start,
        end=start + timedelta(minutes=5 + number % 7),
        joints=("J1",),
        units={"J1": "u"},
        channels={"main": ("J1.current_a",)},
        completeness=1.0,
    )
    made = catalogue.row(session)
    return made.with_columns(pl.lit(earlier, dtype=pl.String).alias(catalogue.EARLIER))


def rows(numbers: list[int]) -> pl.DataFrame:
    return pl.concat([row(n, earlier="old" if n % 50 == 7 else None) for n in numbers])


@pytest.fixture
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    """Parts of twenty rows, made at every fourth commit."""
    monkeypatch.setattr(parts, "PART_ROWS", 20)
    monkeypatch.setattr("replay.archive.tables.tables.TIDY_EVERY", 4)


def filled(root: Path, numbers: list[int], each: int = 3) -> Archive:
    archive = open_archive(root, create=True)
    for first in range(0, len(numbers), each):
        archive.append("sessions", rows(numbers[first : first + each]))
    return archive


@contextmanager
def opened() -> Iterator[list[str]]:
    """Collect the files of rows that are read."""
    seen: list[str] = []
    true = DiskPlace.read

    def read(self: DiskPlace) -> bytes:
        if NOTE in str(self) and str(self).endswith(".parquet"):
            seen.append(self.path.name)
        return true(self)

    with mock.patch.object(DiskPlace, "read", read):
        yield seen


def held(root: Path) -> dict[str, Mark]:
    manifest = read_manifest(DiskPlace(root).child("tables", "sessions"))
    assert manifest is not None
    return dict(manifest.files)


def compare_answers(root: Path) -> None:
    """Compare what parts answer with what the whole table says."""
    whole = catalogue.oldest_first(
        open_archive(root).tables.read("sessions", (*catalogue.SUMMARY, "earlier"))
    )
    plain = whole.select(catalogue.SUMMARY)
    fresh = open_archive(root)
    assert fresh.count() == whole.height
    for name in (*whole["session"].sample(6, seed=1), "20310101T000000Z-none", "zz"):
        assert fresh.has_session(name) == (name in whole["session"])
    last = plain.sort("start", "session", descending=True)
    assert fresh.newest(7).equals(last.head(7))
    middle = plain["start"][whole.height // 2]
    assert fresh.newest(5, until=middle).equals(last.filter(pl.col("start") <= middle).head(5))
    assert fresh.next_after(middle, 5).equals(plain.filter(pl.col("start") >= middle).head(5))
    edges = middle - timedelta(hours=9), middle + timedelta(hours=4)
    found = fresh.within(arm="arm 1", begins=edges)
    of_arm = pl.col("arm") == "arm 1"
    assert found.equals(plain.filter(of_arm & pl.col("start").is_between(*edges)))
    assert fresh.within(ends=edges).equals(plain.filter(pl.col("end").is_between(*edges)))
    had = whole.drop_nulls("earlier")["session"]
    for few in (0, whole.height):  # asked by parts, and all of them at once
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("replay.archive.store._FEW", few)
            one = open_archive(root)
            assert one.earlier_of(had[0]) == ("old",)
            assert one.earlier_of("zz") == ()
    assert fresh.earlier() == dict.fromkeys(had, ("old",))
    assert fresh.earlier_of(had[0]) == ("old",)


@pytest.mark.usefixtures("small")
@pytest.mark.parametrize("order", ["in time", "at random", "backwards"])
def test_parts_answer_what_the_whole_table_says(tmp_path: Path, order: str) -> None:
    root = tmp_path / "archive"
    numbers = list(range(240))
    if order == "at random":
        random.Random(3).shuffle(numbers)
    archive = filled(root, numbers if order != "backwards" else numbers[::-1])
    assert archive.table("sessions").height == 240
    compare_answers(root)
    assert verify_tables(root) == []
    assert pl.scan_delta(str(root / "tables/sessions")).collect().height == 240  # other engines
    marks = held(root)
    assert all(m.bounds is not None for m in marks.values())
    spans = {f: m.bounds.spans["start"] for f, m in marks.items() if m.bounds and m.bounds.rows > 3}
    deep = parts._deepest({f: s for f, s in spans.items() if s is not None})
    assert len(deep) <= parts.DEEPEST + 2
    if order == "in time":
        assert len(deep) == 1
        assert all(m.bounds and m.bounds.rows <= 32 for m in marks.values())


def verify_tables(root: Path) -> list[str]:
    found = verify(open_archive(root))
    return [f"{f.kind} {f.where}" for f in found if f.where.startswith("tables")]


@pytest.mark.usefixtures("small")
def test_a_question_opens_the_parts_it_falls_into(tmp_path: Path) -> None:
    root = tmp_path / "archive"
    filled(root, list(range(240)))
    small_ones = sum(1 for m in held(root).values() if m.bounds and m.bounds.rows < 10)
    assert len(held(root)) > 10
    asked = {
        "opening": lambda a: a.tables.version("sessions"),
        "is one there": lambda a: a.has_session("20310103T000000Z-48"),
        "how many": lambda a: a.count(),
        "newest": lambda a: a.newest(5),
        "a day": lambda a: a.within(arm="arm 1", begins=(START, START + timedelta(hours=20))),
        "record": lambda a: a.listed_document("20310103T000000Z-48"),
    }
    for name, ask in asked.items():
        archive = open_archive(root)
        with opened() as seen:
            ask(archive)
        most = {"opening": 0, "how many": 0, "newest": 1 + small_ones}.get(name, 2)
        assert len(seen) <= most, name


@pytest.mark.usefixtures("small")
def test_adding_one_opens_and_rewrites_no_grown_part(tmp_path: Path) -> None:
    root = tmp_path / "archive"
    filled(root, list(range(240)))
    grown = {f for f, m in held(root).items() if m.bounds and m.bounds.rows >= 10}
    archive = open_archive(root)
    with opened() as seen:
        for n in range(4):  # of which one makes parts
            archive.replace("sessions", row(300 + n), session=[row(300 + n)["session"][0]])
    assert not set(seen) & grown
    assert grown <= set(held(root))
    compare_answers(root)


@pytest.mark.usefixtures("small")
def test_a_replaced_row_is_found_in_its_part(tmp_path: Path) -> None:
    root = tmp_path / "archive"
    archive = filled(root, list(range(120)))
    name = row(30)["session"][0]
    archive.replace("sessions", row(30, arm="another"), session=[name])
    archive.replace("sessions", pl.DataFrame(), session=[row(31)["session"][0]])
    found = open_archive(root).table("sessions")
    assert found.height == found["session"].n_unique() == 119
    assert found.filter(pl.col("session") == name)["arm"].to_list() == ["another"]
    assert not open_archive(root).has_session(row(31)["session"][0])
    compare_answers(root)


@pytest.mark.usefixtures("small")
def test_an_older_archive_without_bounds_reads_the_same_and_gets_them_at_the_next_merge(
    tmp_path: Path,
) -> None:
    root = tmp_path / "archive"
    filled(root, list(range(90)), each=30)
    path = root / "tables/sessions/_manifest.json"
    old = unsealed(path.read_bytes())
    assert old is not None
    assert old.pop("bounds")
    path.write_bytes(sealed(old))
    assert all(m.bounds is None for m in held(root).values())
    compare_answers(root)
    archive = open_archive(root)
    for n in range(4):
        archive.append("sessions", row(200 + n))
    assert all(m.bounds is not None for m in held(root).values())
    compare_answers(root)
    assert verify_tables(root) == []


@pytest.mark.usefixtures("small")
def test_a_repaired_table_comes_in_parts(tmp_path: Path) -> None:
    root = tmp_path / "archive"
    archive = filled(root, list(range(90)), each=90)
    shuffled = archive.table("sessions").sample(fraction=1.0, shuffle=True, seed=2)
    swap_in(archive, root, "sessions", shuffled, 0)
    assert len(held(root)) == 5
    compare_answers(root)


@pytest.mark.usefixtures("small")
def test_bounds_that_are_not_those_of_the_rows_are_told_and_mended(tmp_path: Path) -> None:
    root = tmp_path / "archive"
    archive = open_archive(root, create=True)
    for day in range(1, 4):
        add_session(archive, f"s{day}", day=day)
    path = root / "tables/sessions/_manifest.json"
    told = unsealed(path.read_bytes())
    assert told is not None
    file = next(iter(told["bounds"]))
    told["bounds"][file][1]["session"] = ["s7", "s8"]
    path.write_bytes(sealed(told))
    assert verify_tables(root) == [f"table-file tables/sessions/{file}"]
    repair(open_archive(root))
    assert verify_tables(root) == []
    assert open_archive(root).has_session("s1")


@pytest.mark.usefixtures("small")
def test_a_damaged_file_is_not_merged_into_a_sound_one(tmp_path: Path) -> None:
    root = tmp_path / "archive"
    archive = filled(root, [1, 2, 3], each=1)
    file = root / "tables/sessions" / next(iter(held(root)))
    content = bytearray(file.read_bytes())
    content[len(content) // 2] ^= 1
    file.write_bytes(content)
    archive.append("sessions", row(5))  # the fifth would merge
    archive.append("sessions", row(6))
    assert file.name in held(root)
    assert verify_tables(root) == [f"table-file tables/sessions/{file.name}"]
    with pytest.raises(DamageError, match="its bytes changed"):
        open_archive(root).has_session(row(1)["session"][0])
    assert open_archive(root).has_session(row(6)["session"][0])
    with pytest.raises(ArchiveError):
        archive.tables.tidy("sessions")


def mark(first: int, last: int, size: int = parts.PART_BYTES) -> Mark:
    frame = pl.concat([row(first), row(last)])
    return Mark(size, "0", bounds_of(frame))


def test_what_is_rewritten_together() -> None:
    apart = {f"p{n}": mark(10 * n, 10 * n + 9) for n in range(20)}
    assert parts.to_rewrite("sessions", apart) == []
    assert parts.to_rewrite("sessions", {**apart, "s": mark(250, 251, 7000)}) == []
    two = {"s1": mark(250, 251, 7000), **apart, "s2": mark(3, 4, 7000)}
    assert parts.to_rewrite("sessions", two) == ["s1", "s2"]
    over = {f"w{n}": mark(n, 150 + n) for n in range(parts.DEEPEST)}
    assert parts.to_rewrite("sessions", over) == []
    over |= {f"w{n}": mark(n, 150 + n) for n in range(parts.DEEPEST, 30)}
    assert parts.to_rewrite("sessions", over) == [f"w{n}" for n in range(parts.AT_ONCE)]
    older = {"big": Mark(8 * parts.PART_BYTES, "0"), **apart}
    assert parts.to_rewrite("sessions", older) == ["big"]
    same = {f"p{n}": mark(5, 5) for n in range(30)}
    assert parts.to_rewrite("sessions", same) == []  # no order would part them


def test_bounds_of_what_is_empty_or_not_known() -> None:
    bounds = bounds_of(pl.DataFrame({"session": ["b", "d"], "arm": [None, None], "x": [1, 2]},
                                    schema_overrides={"arm": pl.String}))  # fmt: skip
    assert bounds == Bounds(2, {"session": ("b", "d"), "arm": None})
    assert [bounds.may_hold("session", (v, v)) for v in "abcde"] == [False, True, True, True, False]
    assert bounds.may_hold("session", ("c", None))
    assert not bounds.may_hold("session", (None, "a"))
    assert not bounds.may_hold("arm", ("a", "a"))
    assert bounds.may_hold("x", (7, 7))
    assert bounds.may_hold_any("session", ["a", "c", "x"])
    assert not bounds.may_hold_any("session", ["a", "e"])
    assert not bounds.may_hold_any("arm", ["a"])
    assert bounds.may_hold_any("unknown", ["a"])
