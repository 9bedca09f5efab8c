"""Nothing but the archive's room touches an archive's files; Delta's library is met there only."""

from __future__ import annotations

import ast
import shutil
import sys
from functools import cache
from pathlib import Path
from types import FrameType
from typing import Any

import pytest

from replay.archive import layout, open_archive
from tests.crash.care import COMMANDS, base_archive, quietly

ROOT = Path(__file__).parents[2]
ROOM = ROOT / "replay" / "archive"
DIGESTS = ROOT / "replay" / "digests.py"

LENT = {
    "replay.archive.schemas": {"TABLES"},
    "replay.archive.completeness": {"joint_shares", "least_complete", "per_cent", "share_words"},
    "replay.archive.care.rebuild": {"rebuild"},
    "replay.archive.catalogue": {"record_text", "session_of"},
}
"""What other rooms take from inside: words, schemas, digests; nothing that writes a file."""

HANDS = {"child", "write", "read", "remove", "take", "open", "files", "scan", "footer"}
"""What a `Place` can do."""


def others() -> list[Path]:
    found = [*(ROOT / "replay").rglob("*.py"), *(ROOT / "dashboards").rglob("*.py")]
    return [p for p in found if ROOM not in p.parents]


@cache
def nodes() -> list[tuple[Path, ast.AST]]:
    """Return every import and attribute outside the room, with its file."""
    wanted = (ast.Import, ast.ImportFrom, ast.Attribute)
    trees = ((p.relative_to(ROOT), ast.parse(p.read_text())) for p in others())
    return [(path, n) for path, tree in trees for n in ast.walk(tree) if isinstance(n, wanted)]


def test_only_the_room_knows_how_a_table_is_written() -> None:
    guilty = []
    for path, node in nodes():
        modules: dict[str, set[str]] = {}
        if isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            modules[node.module] = {a.name for a in node.names}
        elif isinstance(node, ast.Import):
            modules = {a.name: {"*"} for a in node.names}
        for module, names in modules.items():
            inside = module.startswith("replay.archive.")
            if inside and not names <= LENT.get(module, set()):
                guilty.append(f"{path}: {module} {sorted(names)}")
            if module == "replay.archive" and names & {p.stem for p in ROOM.rglob("*")} - {
                "migrate", "repair", "verify",
            }:  # fmt: skip
                guilty.append(f"{path}: {sorted(names)}")
            if module.split(".")[0] == "deltalake":
                guilty.append(f"{path}: {module}")
    assert guilty == []


def test_what_is_lent_is_taken() -> None:
    """An exemption that nobody needs goes."""
    taken: dict[str, set[str]] = {}
    for _, node in nodes():
        if isinstance(node, ast.ImportFrom) and node.module in LENT:
            taken.setdefault(node.module, set()).update(a.name for a in node.names)
    assert taken == LENT


def test_nobody_reaches_for_a_place_of_the_archive() -> None:
    """Its address may be said, and the record's database lies in a folder of its own."""
    guilty = []
    for path, node in nodes():
        if not isinstance(node, ast.Attribute):
            continue
        if node.attr in ("session_place", "stream_place"):
            guilty.append(f"{path}:{node.lineno}")
        inner = node.value
        if (
            node.attr in HANDS
            and isinstance(inner, ast.Attribute)
            and inner.attr in ("place", "root")
            and isinstance(inner.value, ast.Name)
            and inner.value.id == "archive"
        ):
            guilty.append(f"{path}:{node.lineno}")
    assert guilty == []


class Watch:
    """Notes who opens, renames or removes what lies in an archive; a hook cannot be taken out."""

    def __init__(self) -> None:
        self.root: Path | None = None
        self.seen: set[str] = set()
        self.touched = 0
        sys.addaudithook(self.look)

    def look(self, event: str, args: tuple[Any, ...]) -> None:
        if self.root is None or event not in ("open", "os.rename", "os.remove", "os.mkdir"):
            return
        inside = [n for n in (self.inside(a) for a in args[:2]) if n is not None]
        if not inside:
            return
        self.touched += 1
        frame: FrameType | None = sys._getframe(1)
        while frame is not None:
            path = Path(frame.f_code.co_filename)
            if path == DIGESTS:  # a hand of whoever calls it, and they are asked
                frame = frame.f_back
                continue
            if ROOM in path.parents:
                return
            if {ROOT / "replay", ROOT / "dashboards"} & set(path.parents):
                self.seen.add(f"{path.relative_to(ROOT)}: {event} {inside[0]}")
                return
            frame = frame.f_back

    def inside(self, name: object) -> str | None:
        if not isinstance(name, str) or self.root is None or not name.startswith(str(self.root)):
            return None
        parts = Path(name).relative_to(self.root).parts
        free = not parts or parts[0] in (layout.STAGING, layout.RAW, "record")
        return None if free else "/".join(parts)


@pytest.fixture(scope="module")
def watch() -> Watch:
    return Watch()


def test_who_opens_the_files_of_an_archive(tmp_path: Path, watch: Watch) -> None:
    """Staging is lent to whoever cleans a log, and a stored log to the reader of its format."""
    base = base_archive(tmp_path)
    root = tmp_path / "watched"
    shutil.copytree(base, root)
    session = next(n for n in open_archive(root).sessions()["session"] if n[0].isdigit())
    try:
        watch.root = root
        for name in ("verdict", "pin", "ingest", "flags", "document", "append", "repair"):
            COMMANDS[name](root)
        for words in (
            ("sessions",), ("flags",), ("queue",), ("archive", "rebuild"),
            ("archive", "compact", "--drop"), ("archive", "verify"), ("mechanics", session),
            ("archive", "remove", session, "--why", "a trial", "--who", "eve"),
        ):  # fmt: skip
            assert quietly(*words, "--archive", str(root)) in (0, 1), words
    finally:
        watch.root = None
    assert watch.touched > 200
    assert watch.seen == set()
