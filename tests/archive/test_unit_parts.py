"""Tables in the order of joint units: a history lies in few parts, and all of it is found."""

from __future__ import annotations

import random
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from unittest import mock

import polars as pl
import pytest

from replay.archive import Archive, open_archive, repair, verify
from replay.archive.disk.place import DiskPlace
from replay.archive.disk.seal import sealed, unsealed
from replay.archive.tables import parts, tables
from replay.archive.tables.bounds import Bounds
from replay.archive.tables.manifest import Mark, read_manifest
from tests.archive.streams import record, stream

UNITS = [f"u{k:02d}" for k in range(12)]
EACH = 4
"""Joint units of a session."""
START = datetime(2031, 1, 1, tzinfo=UTC)


def name_of(number: int) -> str:
    return f"{START + timedelta(hours=number):%Y%m%dT%H%M%SZ}-{number}"


def units_of(number: int) -> list[str]:
    arm = number % (len(UNITS) // EACH)
    return UNITS[arm * EACH : arm * EACH + EACH]


def rows(number: int, value: float = 1.0) -> pl.DataFrame:
    """Return what a session has in the table: three rows a unit."""
    keys = [u for u in units_of(number) for _ in range(3)]
    return pl.DataFrame({"serial": keys, "value": [value] * len(keys)}).select(
        session=pl.lit(name_of(number)),
        arm=pl.lit(f"arm {number % 3}"),
        serial="serial",
        indicator=pl.lit("drag"),
        value="value",
        start=pl.lit(START + timedelta(hours=number)).cast(pl.Datetime("us", "UTC")),
    )


@pytest.fixture
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    """Parts of sixty rows, made at every fourth commit; three may lie over one another."""
    monkeypatch.setattr(parts, "PART_ROWS", 60)
    monkeypatch.setattr(parts, "DEEPEST", 3)
    monkeypatch.setattr(tables, "TIDY_EVERY", 4)


def filled(root: Path, numbers: list[int]) -> Archive:
    archive = open_archive(root, create=True)
    for n in numbers:
        archive.replace("indicators", rows(n), session=[name_of(n)], units=units_of(n))
    return archive


def held(root: Path) -> dict[str, Mark]:
    found = read_manifest(DiskPlace(root).child("tables", "indicators"))
    assert found is not None
    return dict(found.files)


def damage(root: Path) -> list[str]:
    found = verify(open_archive(root))
    return [f"{f.kind} {f.where}" for f in found if f.where.startswith("tables/indicators")]


@contextmanager
def opened() -> Iterator[set[str]]:
    """Collect the table's files of rows that are read."""
    seen: set[str] = set()
    true = DiskPlace.read

    def read(self: DiskPlace) -> bytes:
        if "/tables/indicators/" in str(self) and str(self).endswith(".parquet"):
            seen.add(self.path.name)
        return true(self)

    with mock.patch.object(DiskPlace, "read", read):
        yield seen


def in_order(frame: pl.DataFrame) -> list[tuple[object, ...]]:
    return sorted(frame.select("session", "serial", "value").rows(), key=str)


def compare_answers(root: Path) -> None:
    """Ask by units and by sessions, and compare with the table read whole."""
    whole = open_archive(root).table("indicators")
    fresh = open_archive(root)
    for unit in (*UNITS, "none such"):
        mine = whole.filter(pl.col("serial") == unit)
        assert in_order(fresh.rows_of_units("indicators", [unit])) == in_order(mine)
    two = [UNITS[1], UNITS[-1]]
    found = fresh.rows_of_units("indicators", two, ("serial", "value"))
    assert found.columns == ["serial", "value"]
    assert found.height == whole.filter(pl.col("serial").is_in(two)).height
    for n in (0, 7, 50, 119, 500):
        mine = whole.filter(pl.col("session") == name_of(n))
        assert in_order(fresh.rows_of("indicators", [name_of(n)])) == in_order(mine)
        near = fresh.rows_of("indicators", [name_of(n)], units=units_of(n))
        assert in_order(near) == in_order(mine)


@pytest.mark.usefixtures("small")
@pytest.mark.parametrize("order", ["in time", "at random"])
def test_units_and_sessions_are_found_as_in_the_whole_table(tmp_path: Path, order: str) -> None:
    root, numbers = tmp_path / "archive", list(range(120))
    if order == "at random":
        random.Random(3).shuffle(numbers)
    archive = filled(root, numbers)
    assert archive.table("indicators").height == 120 * EACH * 3
    compare_answers(root)
    assert damage(root) == []
    repair(open_archive(root))
    compare_answers(root)
    (root / "tables/indicators/_manifest.json").unlink()
    repair(open_archive(root))
    assert open_archive(root).table("indicators").height == 120 * EACH * 3
    compare_answers(root)


@pytest.mark.usefixtures("small")
def test_a_units_history_lies_in_few_parts(tmp_path: Path) -> None:
    root = tmp_path / "archive"
    filled(root, list(range(240)))
    files = held(root)
    grown = {f for f, m in files.items() if m.bounds and m.bounds.rows >= 30}
    assert len(grown) > 40
    for unit in UNITS:
        with opened() as seen:
            found = open_archive(root).rows_of_units("indicators", [unit])
        assert found.height == 240 // 3 * 3
        assert len(seen & grown) <= len(grown) // 3, unit
    archive = open_archive(root)
    archive.tables.tidy("indicators")
    few = [len(asked_files(root, unit)) for unit in UNITS]
    assert max(few) <= 240 * EACH * 3 // len(UNITS) // 60 + 2 * (parts.DEEPEST + 1)


def asked_files(root: Path, unit: str) -> set[str]:
    with opened() as seen:
        open_archive(root).rows_of_units("indicators", [unit])
    return seen


@pytest.mark.usefixtures("small")
def test_adding_a_session_opens_no_grown_part(tmp_path: Path) -> None:
    root = tmp_path / "archive"
    archive = filled(root, list(range(120)))
    grown = {f for f, m in held(root).items() if m.bounds and m.bounds.rows >= 30}
    archive = open_archive(root)
    with opened() as seen:
        archive.replace("indicators", rows(300), session=[name_of(300)], units=units_of(300))
    assert not seen & grown
    compare_answers(root)


@pytest.mark.usefixtures("small")
def test_a_session_measured_again_leaves_none_of_its_rows_of_before(tmp_path: Path) -> None:
    root = tmp_path / "archive"
    archive = filled(root, list(range(120)))
    archive.tables.tidy("indicators")
    others = {f for f, m in held(root).items() if m.bounds and m.bounds.spans["serial"]}
    with opened() as seen:
        archive.replace("indicators", rows(7, 2.0), session=[name_of(7)], units=units_of(7))
    assert len(seen) < len(others) // 2, "it looked at units that the session has not"
    found = open_archive(root).rows_of("indicators", [name_of(7)])
    assert found.height == EACH * 3
    assert set(found["value"]) == {2.0}
    assert open_archive(root).table("indicators").height == 120 * EACH * 3
    compare_answers(root)
    assert damage(root) == []


@pytest.mark.usefixtures("small")
@pytest.mark.parametrize("key", ["", None])
def test_a_session_that_had_nothing_is_found_wherever_it_lies(
    tmp_path: Path, key: str | None
) -> None:
    root = tmp_path / "archive"
    archive = filled(root, list(range(60)))
    nothing = rows(70).head(1).with_columns(serial=pl.lit(key, dtype=pl.String))
    archive.replace("indicators", nothing, session=[name_of(70)], units=units_of(70))
    for n in range(80, 95):
        archive.replace("indicators", rows(n), session=[name_of(n)], units=units_of(n))
    archive.tables.tidy("indicators")
    fresh = open_archive(root)
    assert fresh.rows_of("indicators", [name_of(70)], units=units_of(70)).height == 1
    fresh.replace("indicators", rows(70), session=[name_of(70)], units=units_of(70))
    assert open_archive(root).rows_of("indicators", [name_of(70)]).height == EACH * 3


def of_before(root: Path, sessions: int) -> None:
    """Make the table as a program before left it: in the order of sessions, of units no bounds."""
    with (
        mock.patch.dict(parts.KEYS, {"indicators": ("session",)}),
        mock.patch.object(parts, "BY_UNIT", ()),
    ):
        filled(root, list(range(sessions))).tables.tidy("indicators")
    path = root / "tables/indicators/_manifest.json"
    old = unsealed(path.read_bytes())
    assert old is not None
    assert old.pop("later_bounds")
    path.write_bytes(sealed(old))


@pytest.mark.usefixtures("small")
def test_an_archive_of_before_reads_the_same_and_comes_into_order(tmp_path: Path) -> None:
    root = tmp_path / "archive"
    of_before(root, 120)
    assert damage(root) == []
    assert all(m.bounds and "serial" not in m.bounds.spans for m in held(root).values())
    compare_answers(root)
    before = len(asked_files(root, UNITS[0]))
    assert before == len(held(root)), "nobody knows yet which file has it"
    archive = open_archive(root)
    for n in range(200, 204):  # of which one merges
        archive.replace("indicators", rows(n), session=[name_of(n)], units=units_of(n))
    assert all(m.bounds and "serial" in m.bounds.spans for m in held(root).values())
    compare_answers(root)
    open_archive(root).tables.tidy("indicators")
    assert len(asked_files(root, UNITS[0])) < before // 2
    compare_answers(root)
    assert damage(root) == []


@pytest.mark.usefixtures("small")
def test_units_bounds_that_are_not_those_of_the_rows_are_told_and_mended(tmp_path: Path) -> None:
    root = tmp_path / "archive"
    filled(root, list(range(3)))
    path = root / "tables/indicators/_manifest.json"
    told = unsealed(path.read_bytes())
    assert told is not None
    file = next(iter(told["later_bounds"]))
    told["later_bounds"][file][1]["serial"] = ["x", "y"]
    path.write_bytes(sealed(told))
    assert damage(root) == [f"table-file tables/indicators/{file}"]
    repair(open_archive(root))
    assert damage(root) == []
    assert open_archive(root).table("indicators").height == 3 * EACH * 3


def test_a_session_replaced_under_other_units_keeps_no_row_under_the_old_ones(
    tmp_path: Path,
) -> None:
    archive = open_archive(tmp_path / "archive", create=True)
    frame = stream(200)
    first = record("s1", frame)
    joint = first.joints[0]
    archive.add_session(first, {"main": frame})
    kept = rows(0).head(1).with_columns(session=pl.lit("s1"), serial=pl.lit(first.unit(joint)))
    archive.replace("indicators", kept, session=["s1"], units=first.unit_keys)
    archive.add_session(first, {"main": frame}, replace=True)
    assert archive.table("indicators").height == 1, "the same units: nothing is forgotten"
    second = replace(first, units=first.units | {joint: "another"})
    archive.add_session(second, {"main": frame}, replace=True)
    assert archive.table("indicators").height == 0
    assert archive.session("s1").unit(joint) == "another"


def test_what_is_known_of_a_file_without_its_units() -> None:
    bounds = Bounds(3, {"session": ("a", "c"), "serial": ("u1", "u4")}, {"serial": 2})
    assert bounds.may_hold_one("serial", ["u0", "u9"]), "a row without a unit"
    full = Bounds(3, {"session": ("a", "c"), "serial": ("u1", "u4")}, {"serial": 3})
    assert not full.may_hold_one("serial", ["u0", "u9"])
    assert full.may_hold_one("serial", ["u0", "u2"])
    older = Bounds(3, {"session": ("a", "c")})
    assert older.may_hold_one("serial", ["u0"])
    assert older.agree_with(full)
    assert not full.agree_with(older)
    assert not Bounds(2, {"session": ("a", "c")}).agree_with(full)
