"""What is read is what was written, or it is said that it is not."""

from __future__ import annotations

import os
import random
import shutil
import stat
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import polars as pl
import pytest

from replay.archive import Archive, open_archive, repair, verify
from replay.cli.main import main
from replay.digests import file_digest
from replay.errors import ArchiveError, JointbookError, RecordError
from replay.reviews import add_pin, give_verdict, pins, verdicts
from tests.archive.streams import START, record, stream

LIMITS = b'{"friction": 2.5}'
GIVEN = ("table reviews", "table pins", "wear/limits.json", "verdicts", "pins")
BASELINE = b'{"scale": 1.25, "made": 2031}'


def _fill(root: Path) -> None:
    os.umask(0o022)
    log = root.parent / "s1.csv"
    log.write_text("t,a1\n" + "0,1\n" * 100)
    archive = open_archive(root, create=True)
    for number, rows in enumerate((140_000, 400)):
        frame = stream(rows, seed=number)
        name = f"s{number + 1}"
        raw = {"raw_sha256": file_digest(log)} if number == 0 else {}
        archive.add_session(
            record(name, frame, **raw), {"main": frame}, raw=log if number == 0 else None
        )
        flags = pl.DataFrame(
            {
                "session": [name] * 6,
                "flag": [f"{name}-f{k}" for k in range(6)],
                "joint": ["J1"] * 6,
                "kind": ["friction"] * 6,
                "severity": ["act"] * 6,
                "score": [k + 0.5 for k in range(6)],
                "start": [START] * 6,
                "end": [START] * 6,
            }
        )
        archive.replace("flags", flags, session=[name])
        for k in range(3):
            archive.append("reviews", pl.DataFrame({"session": [name], "flag": [f"f{k}"]}))
        archive.append("pins", pl.DataFrame({"session": [name], "pin": ["p"], "text": ["here"]}))
    for k in range(3):
        give_verdict(archive, "s1", f"s1-f{k}", "watch", reviewer="ann", note=f"note {k}")
    add_pin(archive, "s1", START, text="here", author="bob")
    archive.write_document("wear/limits.json", LIMITS)
    archive.write_document("baselines/b1-00000000.json", BASELINE)


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("honest") / "archive"
    _fill(root)
    assert verify(open_archive(root)) == []
    return root


@pytest.fixture
def root(sound: Path, tmp_path: Path) -> Path:
    shutil.copytree(sound, tmp_path / "archive")
    return tmp_path / "archive"


def everything(root: Path) -> dict[str, Callable[[], object]]:
    """What an archive tells its readers, each as a question that can be asked."""

    def rows(name: str) -> object:
        frame = open_archive(root).table(name)
        return frame.sort(sorted(frame.columns)).select(sorted(frame.columns)).to_dicts()

    def samples(session: str) -> object:
        return open_archive(root).samples(session).collect().hash_rows().sum()

    def plot(session: str) -> object:
        names = ["J1.angle_deg", "J1.current_a"]
        seen = open_archive(root).window(session, names, max_points=500)
        values = {k: set(v.tolist()) for k, (_, v) in seen.items()}
        told = _stored(session)
        # without one of its overviews it is thinned elsewhere, but out of true samples
        return {k: (v <= told[k], min(v), max(v)) for k, v in values.items()}

    def spans(session: str) -> object:
        return open_archive(root).spans(session, "phase").to_dicts()

    def said(ask: Callable[[Archive, str], pl.DataFrame]) -> object:
        return ask(open_archive(root), "s1").to_dicts()

    asked: dict[str, Callable[[], object]] = {
        f"table {n}": (lambda n=n: rows(n)) for n in ("flags", "reviews", "pins", "sessions")
    }
    asked["verdicts"] = lambda: said(verdicts)
    asked["pins"] = lambda: said(pins)
    for s in ("s1", "s2"):
        asked[f"record {s}"] = lambda s=s: open_archive(root).session(s)
        asked[f"samples {s}"] = lambda s=s: samples(s)
        asked[f"plot {s}"] = lambda s=s: plot(s)
        asked[f"spans {s}"] = lambda s=s: spans(s)
    for d in ("wear/limits.json", "baselines/b1-00000000.json"):
        asked[d] = lambda d=d: open_archive(root).read_document(d)
    return asked


@cache
def _stored(session: str) -> dict[str, set[float]]:
    true = stream(140_000 if session == "s1" else 400, seed=int(session[1]) - 1)
    names = ("J1.angle_deg", "J1.current_a")
    return {k: set(true[k].cast(pl.Float32).to_list()) for k in names}


def answers(root: Path) -> dict[str, object]:
    """The answer to each question; a sentence of ours is one, any other error is not."""
    found: dict[str, object] = {}
    for name, ask in everything(root).items():
        try:
            found[name] = ask()
        except (ArchiveError, RecordError) as error:
            found[name] = error
    return found


def wrong(before: dict[str, object], now: dict[str, object]) -> list[str]:
    return [n for n, a in now.items() if not isinstance(a, JointbookError) and a != before[n]]


def change_digit(path: Path, pick: random.Random) -> bool:
    content = bytearray(path.read_bytes())
    places = [n for n, c in enumerate(content) if 0x30 <= c <= 0x39]
    if not places:
        return False
    at = pick.choice(places)
    content[at] = 0x30 + (content[at] - 0x30 + pick.randint(1, 9)) % 10
    path.write_bytes(content)
    return True


def flip(path: Path, pick: random.Random) -> bool:
    content = bytearray(path.read_bytes())
    if not content:
        return False
    content[pick.randrange(len(content))] ^= 1 << pick.randrange(8)
    path.write_bytes(content)
    return True


def cut(path: Path, pick: random.Random) -> bool:
    content = path.read_bytes()
    if not content:
        return False
    path.write_bytes(content[: pick.randrange(len(content))])
    return True


def remove(path: Path, pick: random.Random) -> bool:
    path.unlink()
    return True


@pytest.mark.parametrize("harm", [change_digit, flip, cut, remove])
def test_one_file_harmed_any_way_is_told_and_nothing_wrong_is_shown(
    sound: Path, tmp_path: Path, harm: Callable[[Path, random.Random], bool]
) -> None:
    before = answers(sound)
    files = sorted(p.relative_to(sound) for p in sound.rglob("*") if p.is_file())
    files = [f for f in files if f.parts[0] != "staging"]
    pick = random.Random(harm.__name__)
    for number, file in enumerate(pick.sample(files, min(len(files), 6))):
        root = tmp_path / f"a{number}"
        shutil.copytree(sound, root)
        if not harm(root / file, pick):
            continue
        now = answers(root)
        assert wrong(before, now) == [], f"{harm.__name__} {file}"
        try:
            found = verify(open_archive(root))
        except ArchiveError:
            found = None
        assert found is None or found or now == before, f"{harm.__name__} {file}: not noticed"
        main(["archive", "repair", "--drop", "--archive", str(root)])
        again = answers(root)
        assert wrong(before, again) in ([], ["table flags"]), f"{harm.__name__} {file}: mended"
        for given in (*GIVEN, "record s1", "record s2"):
            assert again[given] == before[given], f"{harm.__name__} {file}: {given} lost"
        shutil.rmtree(root)


def test_a_lost_log_of_a_table_loses_no_row(root: Path) -> None:
    before = answers(root)
    for table in ("reviews", "flags", "pins"):
        shutil.rmtree(root / "tables" / table / "_delta_log")
    assert {f.where.split("/")[1] for f in verify(open_archive(root)) if f.weight == "damage"} >= {
        "reviews", "flags", "pins",
    }  # fmt: skip
    repair(open_archive(root))
    assert answers(root) == before
    assert verify(open_archive(root)) == []


@pytest.mark.parametrize("table", ["flags", "reviews", "sessions"])
def test_deleted_last_commits_are_damage(root: Path, table: str) -> None:
    before = answers(root)
    commits = sorted((root / "tables" / table / "_delta_log").glob("*.json"))
    commits[-1].unlink()
    assert wrong(before, answers(root)) == []
    assert any(f.weight == "damage" for f in verify(open_archive(root)))
    repair(open_archive(root))
    assert answers(root) == before
    assert verify(open_archive(root)) == []


@pytest.mark.parametrize("table", ["reviews", "flags"])
def test_a_missing_table_is_damage(root: Path, table: str) -> None:
    before = answers(root)
    shutil.rmtree(root / "tables" / table)
    assert any(f.weight == "damage" for f in verify(open_archive(root)))
    with pytest.raises(ArchiveError):
        open_archive(root).table(table)
    repair(open_archive(root))
    assert answers(root)["table reviews"] == before["table reviews"]


def test_a_missing_document_is_damage_and_is_still_read(root: Path) -> None:
    (root / "documents/wear/limits.json").unlink()
    assert any(f.weight == "damage" for f in verify(open_archive(root)))
    assert open_archive(root).read_document("wear/limits.json") == LIMITS
    repair(open_archive(root))
    assert (root / "documents/wear/limits.json").read_bytes() == LIMITS
    assert verify(open_archive(root)) == []


def test_a_clock_that_was_ahead_does_not_outvote_a_later_verdict(root: Path) -> None:
    archive = open_archive(root)
    ahead = datetime.now(UTC) + timedelta(days=1)
    give_verdict(archive, "s1", "s1-f5", "repair", reviewer="ann", note="x", at=ahead)
    give_verdict(archive, "s1", "s1-f5", "explained", reviewer="bob")
    held = verdicts(open_archive(root), "s1").filter(pl.col("flag") == "s1-f5")
    assert held["verdict"].to_list() == ["explained"]


def test_files_can_be_read_by_the_group(root: Path) -> None:
    private = [
        str(p.relative_to(root))
        for p in root.rglob("*")
        if not p.stat().st_mode & stat.S_IRGRP and "staging/" not in str(p)
    ]
    assert private == []


@pytest.mark.parametrize("session", ["s1", "s2"])
def test_no_flipped_sample_is_handed_out(sound: Path, tmp_path: Path, session: str) -> None:
    pick = random.Random(3)
    archive: Archive
    for number in range(6):
        root = tmp_path / f"a{number}"
        shutil.copytree(sound, root)
        assert flip(root / f"samples/{session}/main.parquet", pick)
        archive = open_archive(root)
        with pytest.raises(ArchiveError, match="bytes changed"):
            archive.samples(session).collect()
