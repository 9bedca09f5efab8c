"""Kills, power cuts and damage, against every command that writes to an archive.

`kills` ends a writer before a random event on the disk. `power_cuts` gives back
the disk as it would be had it kept nothing but what it was told to keep
(fsync): a file that was not given to it is empty, or cut, or whole, and a
folder has the names it had when it was last given to it, or those of now.
`corruptions` harms one file. What an archive answers is compared before and
after; the questions are those of `tests.archive.test_never_lie`.
"""

from __future__ import annotations

import contextlib
import io
import os
import random
import shutil
import signal
import sys
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import polars as pl

from replay.archive import migrate, open_archive, repair, repair_marker, verify
from replay.cli.main import main
from replay.errors import JointbookError
from replay.reviews import add_pin, give_verdict
from tests.archive.streams import START, record, stream
from tests.archive.test_never_lie import _fill, answers, change_digit, cut, flip, remove
from tests.crash.streams_of_logs import damages, write_logs
from tests.crash.victims import Victims

PEOPLE = ("table reviews", "table pins", "wear/limits.json", "verdicts", "pins")


def short() -> pl.DataFrame:
    """A session that commands add."""
    return stream(400, seed=9)


def base_archive(folder: Path) -> Path:
    """Make an archive that holds one of everything, with one session from a log."""
    root = folder / "archive"
    _fill(root)
    ((log, log_map), (_, other_map), *_) = write_logs(folder, rows=600)
    Path(other_map).rename(folder / "reread.map.toml")
    assert quietly("ingest", log, "--map", log_map, "--archive", str(root)) == 0
    assert verify(open_archive(root)) == []
    return root


def quietly(*words: str) -> int:
    """Run a command without what it says."""
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        return main(list(words))


def command(*words: str) -> Callable[[Path], Any]:
    """Return a command line that finds its archive, and what lies beside it, by ``{}``."""

    def run(root: Path) -> None:
        beside = root.parent
        code = quietly(*(w.format(beside) for w in words), "--archive", str(root))
        assert code in (0, 1), words

    return run


def _logged(root: Path) -> str:
    """Return the session that came from a log."""
    names = open_archive(root).sessions()["session"]
    return next(n for n in names if n[0].isdigit())


def _old(root: Path) -> None:
    """Turn an archive into one of schema version 2."""
    for name in ("digests", "copies"):
        shutil.rmtree(root / name)
    for path in root.glob("tables/*/_manifest.json"):
        path.unlink()
    (root / "jointbook.json").write_text('{"schema_version": 2}')


def _repair(root: Path) -> None:
    repair_marker(root)
    repair(open_archive(root), drop=True)


def _remove(root: Path) -> None:
    command("archive", "remove", "extra", "--why", "a trial", "--who", "eve")(root)


COMMANDS: dict[str, Callable[[Path], Any]] = {
    "add": lambda r: open_archive(r).add_session(record("new", short()), {"main": short()}),
    "replace": lambda r: open_archive(r).add_session(
        open_archive(r).session("s2"),
        {"main": open_archive(r).samples("s2").collect()},
        replace=True,
    ),
    "complete": lambda r: open_archive(r).add_session(
        record("new", short()), {"main": short()}, instead_of="extra"
    ),
    "flags": lambda r: open_archive(r).replace(
        "flags", open_archive(r).table("flags").filter(pl.col("session") == "s1"), session=["s1"]
    ),
    "append": lambda r: open_archive(r).append(
        "maintenance", pl.DataFrame({"note": ["n"], "what": ["oiled"]})
    ),
    "document": lambda r: open_archive(r).write_document("wear/trends-x.json", b"{1}"),
    "verdict": lambda r: give_verdict(open_archive(r), "s1", "s1-f5", "explained", reviewer="eve"),
    "pin": lambda r: add_pin(open_archive(r), "s2", START, text="new", author="eve"),
    "ingest": command("ingest", "{}/log2.csv", "--map", "{}/log2.map.toml"),
    "ingest --replace": command(
        "ingest", "{}/log0.csv", "--map", "{}/reread.map.toml", "--replace"
    ),
    "compact": command("archive", "compact", "--drop", "--keep-hours", "0"),
    "remove": _remove,
    "repair": _repair,
    "rebuild": command("archive", "rebuild", "--damaged"),
    "migrate": migrate,
}
"""Each does one thing that may be stopped; ``repair`` and ``rebuild`` find one file harmed."""

HARMS: dict[str, Callable[[Path, random.Random], bool]] = {
    "digit": change_digit,
    "flip": flip,
    "cut": cut,
    "remove": remove,
}


def _ready(base: Path, root: Path, command: str, pick: random.Random) -> None:
    shutil.copytree(base, root)
    if command in ("complete", "remove"):
        open_archive(root).add_session(record("extra", short()), {"main": short()})
    if command == "migrate":
        _old(root)
    if command == "repair":
        kept = [p for p in _files(root) if p.relative_to(root).parts[0] in ("tables", "documents")]
        pick.choice(list(HARMS.values()))(pick.choice(kept), pick)
    if command == "rebuild":
        pick.choice(list(HARMS.values()))(root / "samples" / _logged(root) / "main.parquet", pick)


def _files(root: Path) -> list[Path]:
    found = (p for p in root.rglob("*") if p.is_file() and "staging" not in p.parts)
    return sorted(p for p in found if not p.name.endswith((".lock", "-shm", "-wal")))


def _stop_at(at: int, stop: Callable[[], None]) -> Callable[[], int]:
    """Call ``stop`` before the ``at``-th event on the disk; return a count of them."""
    seen = 0

    def look(event: str, args: tuple[Any, ...]) -> None:
        nonlocal seen
        writes = event == "open" and isinstance(args[2], int) and args[2] & 3
        names = ("os.rename", "os.mkdir", "os.rmdir", "os.remove", "os.link", "os.symlink")
        if writes or event in names or event == "ctypes.dlsym":
            seen += 1
            if seen == at:
                stop()

    sys.addaudithook(look)
    return lambda: seen


def run_and_stop(job: dict[str, Any]) -> None:
    """Run one command in a process of its own, and stop it before a disk event.

    With ``out`` the power is cut there, and ``out`` is the disk afterwards.
    """
    root, out = Path(job["root"]), job.get("out")
    for stream_number in (1, 2):
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream_number)
    if out is None:
        seen = _stop_at(job["at_step"], lambda: os.kill(os.getpid(), signal.SIGKILL))
        COMMANDS[job["command"]](root)
        if "count" in job:
            Path(job["count"]).write_text(str(seen()))
        return
    disk, pick = Disk(root), random.Random(job["seed"])
    running = True

    def stop() -> None:
        if running:  # what the cut itself writes down is no event of the command's
            disk.cut_power(Path(out), pick)
            os._exit(9)

    _stop_at(job["at_step"], stop)
    COMMANDS[job["command"]](root)
    running = False
    disk.cut_power(Path(out), pick)


def steps_of(
    victims: Victims, base: Path, folder: Path, commands: Sequence[str] = tuple(COMMANDS)
) -> dict[str, int]:
    """Return how many events on the disk each command makes, so that all are stopped inside."""
    steps = {}
    for command in commands:
        root, count = folder / "counted", folder / "count"
        _ready(base, root, command, random.Random(0))
        code = victims.run(
            what="care", root=str(root), command=command, at_step=-1, count=str(count)
        )
        assert code == 0, f"{command} fails without being stopped"
        steps[command] = int(count.read_text())
        shutil.rmtree(root)
    return steps


def kills(
    victims: Victims,
    base: Path,
    folder: Path,
    count: int,
    seed: int = 1,
    steps: Mapping[str, int] | None = None,
) -> Counter[str]:
    """Kill writers; return what became of it, by name."""
    pick, found = random.Random(seed), Counter[str]()
    truth, steps = answers(base), steps or steps_of(victims, base, folder)
    commands = list(steps)
    for number in range(2 * count):
        if found["kills"] == count:
            break
        command = commands[number % len(commands)]
        root = folder / f"k{number}"
        _ready(base, root, command, pick)
        at = pick.randint(1, steps[command])
        code = victims.run(what="care", root=str(root), command=command, at_step=at)
        found["kills"] += code == -signal.SIGKILL
        found["finished first"] += code == 0
        found[f"FAILED {command}"] += code > 0
        _judge(root, command, truth, found)
        shutil.rmtree(root)
    return found


def _judge(root: Path, command: str, truth: dict[str, object], found: Counter[str]) -> None:
    """Count what is damaged at once, and what is lost after the mending a user would do."""
    if command == "migrate":
        migrate(root)
    elif command not in ("repair", "rebuild"):
        found["damaged"] += bool(told := damages(root))
        for said in told:
            found[f"DAMAGED after {command}: {said}"] += 1
    quietly("archive", "repair", "--drop", "--archive", str(root))
    if command == "rebuild":
        quietly("archive", "rebuild", "--damaged", "--archive", str(root))
    found["still damaged after mending"] += bool(left := damages(root))
    for said in left:
        found[f"STILL DAMAGED {command}: {said}"] += 1
    now = answers(root)
    asked = [n for n in truth if command != "repair" or n != "table flags"]
    for name in asked:
        if command == "ingest --replace" and _other_reading(name, now, truth):
            continue
        if _holds(now[name], truth[name], name):
            continue
        found[f"LOST {command}: {name}"] += 1
        found["lost"] += 1


def _other_reading(name: str, now: dict[str, object], truth: dict[str, object]) -> bool:
    """Tell whether each log still has its session, where one was read anew under another name."""
    rows, before = now[name], truth[name]
    if name != "table sessions" or not isinstance(rows, list) or not isinstance(before, list):
        return False
    return sorted(r["source"] for r in rows) == sorted(r["source"] for r in before)


def _holds(now: object, before: object, name: str) -> bool:
    """Tell whether an answer has all that it had; commands may have added to a list."""
    if isinstance(now, list) and isinstance(before, list):
        if name == "table sessions":  # the session's row may have been written anew
            return {r["session"] for r in before} <= {r["session"] for r in now}
        return all(row in now for row in before)
    return now == before


SQLITE = ".sqlite"


class Disk:
    """What a disk has been told to keep of a folder, from now on in this process.

    SQLite speaks to the disk itself, out of sight here, and asks for a sync at each
    step (``synchronous=EXTRA``); its files are taken as they stand.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        self.files: dict[int, bytes] = {}
        self.folders: dict[int, dict[str, int]] = {}
        self.kinds: dict[int, bool] = {}
        self._held: list[int] = []  # so that no inode's number is used again
        for path in (root, *root.rglob("*")):
            self._keep(path)
        true = os.fsync

        def fsync(handle: int) -> None:
            true(handle)
            path = Path(os.readlink(f"/proc/self/fd/{handle}"))
            if root in (path, *path.parents):
                self._keep(path)

        os.fsync = fsync  # type: ignore[assignment]

    def _keep(self, path: Path) -> None:
        with contextlib.suppress(FileNotFoundError):
            handle = os.open(path, os.O_RDONLY)
            self._held.append(handle)
            number = os.fstat(handle).st_ino
            self.kinds[number] = path.is_dir()
            if path.is_dir():
                self.folders[number] = self._names(path)
            else:
                self.files[number] = path.read_bytes()

    def _names(self, folder: Path) -> dict[str, int]:
        found = {}
        for path in folder.iterdir():
            with contextlib.suppress(FileNotFoundError):
                number = path.lstat().st_ino
                found[path.name] = number
                self.kinds.setdefault(number, path.is_dir() and not path.is_symlink())
        return found

    def cut_power(self, out: Path, pick: random.Random) -> None:
        """Write down what the disk shows when the power is back."""
        lazy = pick.random() < 0.5  # else: some of what was not asked for was kept all the same
        now = {p.lstat().st_ino: p for p in self.root.rglob("*") if not p.is_symlink()}

        def lay(number: int, target: Path) -> None:
            if not self.kinds.get(number, False):
                content = self.files.get(number)
                if number in now and SQLITE in now[number].name:
                    content = now[number].read_bytes()
                if content is None:
                    content = b""
                    if not lazy and number in now:
                        content = now[number].read_bytes()
                        content = content[: pick.choice([0, len(content) // 2, len(content)])]
                target.write_bytes(content)
                return
            target.mkdir()
            names = self.folders.get(number, {})
            if not lazy and number in now and pick.random() < 0.5:
                names = self._names(now[number])
            for name, inner in names.items():
                lay(inner, target / name)

        lay(self.root.stat().st_ino, out)


def power_cuts(
    victims: Victims,
    base: Path,
    folder: Path,
    count: int,
    seed: int = 2,
    steps: Mapping[str, int] | None = None,
) -> Counter[str]:
    """Cut the power under writers; return what became of it, by name."""
    pick, found = random.Random(seed), Counter[str]()
    truth, steps = answers(base), steps or steps_of(victims, base, folder)
    commands = list(steps)
    for number in range(2 * count):
        if found["cuts"] == count:
            break
        command = commands[number % len(commands)]
        root, out = folder / f"p{number}", folder / f"q{number}"
        _ready(base, root, command, pick)
        job = {"root": str(root), "out": str(out), "command": command, "seed": number}
        code = victims.run(what="care", at_step=pick.randint(1, steps[command]), **job)
        found["cuts"] += code == 9
        found["finished first"] += code == 0
        found[f"FAILED {command}"] += code not in (0, 9)
        if out.exists():
            _judge(out, command, truth, found)
            shutil.rmtree(out)
        shutil.rmtree(root)
    return found


def corruptions(base: Path, folder: Path, count: int, seed: int = 3) -> Counter[str]:
    """Harm one file each time; return what was noticed, shown and restored, by name."""
    pick, found = random.Random(seed), Counter[str]()
    truth = answers(base)
    samples = _samples(base)
    files = [p.relative_to(base) for p in _files(base)]
    kinds: dict[str, list[Path]] = {}
    for file in files:
        kinds.setdefault(f"{file.parts[0]}/{file.suffix}", []).append(file)
    while found["harmed"] < count:
        file = pick.choice(kinds[pick.choice(sorted(kinds))])
        harm = pick.choice(sorted(HARMS))
        root = folder / f"c{found['harmed']}"
        shutil.copytree(base, root)
        if not HARMS[harm](root / file, pick):
            shutil.rmtree(root)
            continue
        found["harmed"] += 1
        now = answers(root)
        wrong = [n for n, a in now.items() if not isinstance(a, JointbookError) and a != truth[n]]
        found["wrong shown"] += bool(wrong)
        for n in wrong:
            found[f"WRONG {harm} {file}: {n}"] += 1
        noticed = io.StringIO()
        with contextlib.redirect_stdout(noticed), contextlib.redirect_stderr(noticed):
            code = main(["archive", "verify", "--archive", str(root)])
        told = code != 0 or "leftover" in noticed.getvalue()
        found["noticed or harmless"] += told or now == truth
        if not told and now != truth:
            found[f"UNNOTICED {harm} {file}"] += 1
        quietly("archive", "repair", "--drop", "--archive", str(root))
        quietly("archive", "rebuild", "--damaged", "--archive", str(root))
        quietly("archive", "repair", "--archive", str(root))
        again = answers(root)
        for name in (*PEOPLE, *(n for n in truth if n.startswith(("record", "plot", "spans")))):
            kept = again[name] == truth[name]
            sort = "people" if name in PEOPLE else name.split()[0]
            lone = file.parts[:2] == ("samples", "s2")  # a session whose log was not kept
            lone |= file.parts[:2] == ("samples", "s1") and "overviews" not in file.parts
            if lone and name.endswith(file.parts[1]) and file.suffix == ".parquet":
                continue
            found[f"{sort} asked"] += 1
            found[f"{sort} restored"] += kept
            if not kept:
                found[f"NOT RESTORED {harm} {file}: {name}"] += 1
        found["logged samples asked"] += 1
        found["logged samples restored"] += _samples(root) == samples
        shutil.rmtree(root)
    return found


def _samples(root: Path) -> object:
    """Return the samples of the sessions that have a log to be made again from."""
    try:
        archive = open_archive(root)
        names = [n for n in archive.sessions()["session"] if n not in ("s1", "s2")]
        return {n: archive.samples(n).collect().hash_rows().sum() for n in names}
    except JointbookError as error:
        return str(error)
