"""Files on their way in: received, looked at, confirmed, taken.

A batch is a private folder outside the archive. It holds what one person
dropped, until they take it in or discard it; the archive sees nothing before
that. Files ending in ``.toml`` are arm files or log maps, all others are logs.

Longer than 245 lines because a batch's life, from received to taken or dropped, is one subject
whose steps rely on each other.
"""

from __future__ import annotations

import os
import re
import secrets
import shutil
import tempfile
import threading
import time
import tomllib
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import IO

import polars as pl

from dashboards.failure_words import failure_text
from replay.archive import Archive
from replay.arm import load_arm
from replay.cleaning import IngestResult as IngestResult  # the library shows it
from replay.cleaning import ingest
from replay.cleaning.preview import Preview, preview
from replay.errors import JointbookError, LogMapError, UsageError
from replay.logs import LogMap, load_map
from replay.records import Refusal
from replay.workers.confined import BusyError, Confined, LimitError, Limits, ReaderEnded

MOST_BATCHES = 8
STALE_S = 6 * 3600.0
QUOTA_BYTES = 8 << 30
"""Of files that one person has dropped and not taken in."""
LOOK = Limits(2 << 30, 120.0)
"""What a first look at a log may take: its first rows, and rows spread over it."""
READERS = 2
"""Looks at a time; a log that takes all its two minutes holds up one."""
TAKE = Limits(4 << 30, 3600.0)
"""What taking a batch in may take: the memory of all, the time of each log of it (logs that are one
session count as one); 1 GB of rows took 0.7 GB."""
_PREFIX = "jointbook-intake-"
_CHUNK = 1 << 20
_SPARE_BYTES = 256 << 20
"""Left free on the disk; a file that would take it is refused."""


@dataclass(frozen=True, slots=True)
class ReviewLine:
    """One line of a proposed map, what it rests on, and what would change its mind."""

    text: str
    share: float
    """How sure, 0 to 1."""
    why: str
    samples: tuple[str, ...] = ()
    otherwise: str = ""
    used: bool = True
    """Whether the map reads it; a table that is not sure enough stands there as a comment."""


@dataclass(frozen=True, slots=True)
class Look:
    """A log's first rows as a map's text reads them, or why it does not."""

    joints: tuple[str, ...] = ()
    preview: Preview | None = None
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class Proposed:
    """A map for one or more logs, to be confirmed by a person.

    ``lines`` are what a person reviews; ``columns`` are the log's columns with
    three of their values. ``trouble`` says in words why no map could be proposed.
    ``source`` is ``"proposed"``, or the name of the map file that was dropped along.
    """

    logs: tuple[str, ...]
    toml: str
    source: str = "proposed"
    lines: tuple[ReviewLine, ...] = ()
    trouble: str = ""
    columns: tuple[tuple[str, str, bool], ...] = ()
    """Name, three values, and whether the proposed map reads it."""

    @property
    def can_be_shown(self) -> bool:
        """Tell whether a first look is there: not for a table of one value a row."""
        try:
            return own_map(self.toml).layout == "wide"
        except JointbookError:
            return True  # the look says what is wrong with the map


@dataclass(slots=True)
class Batch:
    """What was dropped together, and by whom."""

    folder: Path
    made: float
    owner: str = ""
    received: int = 0
    """Bytes that arrived, of files and of broken attempts too."""
    logs: list[str] = field(default_factory=list)
    maps: list[str] = field(default_factory=list)
    arms: list[str] = field(default_factory=list)


class Intake:
    """The batches of one dashboard; each is its owner's alone.

    Parameters
    ----------
    owner : callable
        Says who is asking.
    """

    def __init__(self, owner: Callable[[], str] = lambda: "") -> None:
        self._reader = Confined(LOOK, READERS)
        self._batches: dict[str, Batch] = {}
        self._lock = threading.Lock()
        self._owner = owner
        sweep()

    def open(self) -> str:
        """Make a batch and return its name; of an owner with many, the oldest goes."""
        owner = self._owner()
        with self._lock:
            now = time.time()
            for name in [n for n, b in self._batches.items() if now - b.made > STALE_S]:
                self._drop(name)
            mine = [n for n, b in self._batches.items() if b.owner == owner]
            if len(mine) >= MOST_BATCHES:
                self._drop(min(mine, key=lambda n: self._batches[n].made))
            name = secrets.token_urlsafe(9)
            folder = Path(tempfile.mkdtemp(prefix=f"{_PREFIX}{os.getpid()}-"))
            self._batches[name] = Batch(folder, now, owner)
        self._reader.prepare()
        return name

    def batch(self, name: str) -> Batch:
        """Return a batch of whoever asks; UsageError when it has gone or is another's."""
        with self._lock:
            found = self._batches.get(name)
            if found is None or found.owner != self._owner():
                raise UsageError("these files are no longer here", todo="drop them again")
            return found

    def close(self) -> None:
        """Delete all batches: the dashboard stops."""
        with self._lock:
            for name in list(self._batches):
                self._drop(name)
        self._reader.close()

    def propose(self, name: str) -> list[Proposed]:
        """Return a map for every log of a batch; logs that share one are together."""
        return proposals(self.batch(name), self._reader)

    def look(self, name: str, log: str, text: str) -> Look:
        """Read the first rows of one log of a batch with a map's text."""
        batch = self.batch(name)
        if log not in batch.logs:
            raise UsageError("no such log among the files that were dropped")
        try:
            return self._reader(look, batch, log, text)
        except (LimitError, BusyError) as error:
            return Look(trouble=failure_text(_advised(error)))

    def _room(self, owner: str) -> int:
        """Return how many bytes an owner may still send."""
        with self._lock:
            return QUOTA_BYTES - sum(b.received for b in self._batches.values() if b.owner == owner)

    def receive(self, name: str, file_name: str, stream: IO[bytes], size: int | None) -> str:
        """Write one file of a batch, whole or not at all; return its safe name."""
        batch = self.batch(name)
        safe = safe_name(file_name)
        free = shutil.disk_usage(batch.folder).free
        if size is not None and size + _SPARE_BYTES > free:
            raise UsageError(f"{safe}: no room for {size / 1e6:.0f} MB on the server's disk")
        if (size or 0) > self._room(batch.owner):
            raise _over_quota(safe)
        path = batch.folder / safe
        part = path.with_name(path.name + ".part")
        got = 0
        try:
            with part.open("wb") as handle:
                while chunk := stream.read(_CHUNK):  # counted whether a length was told or not
                    got += len(chunk)
                    with self._lock:
                        batch.received += len(chunk)
                    if self._room(batch.owner) < 0:
                        raise _over_quota(safe)
                    handle.write(chunk)
        except BaseException:  # a browser that breaks off is no OSError
            part.unlink(missing_ok=True)
            raise
        if size is not None and got != size:
            part.unlink(missing_ok=True)
            raise UsageError(f"{safe}: {got} of {size} bytes arrived", todo="send it again")
        part.replace(path)
        with self._lock:
            self._sort_in(batch, safe)
        return safe

    def discard(self, name: str) -> None:
        """Delete a batch of whoever asks, and its files."""
        with self._lock:
            if name in self._batches and self._batches[name].owner == self._owner():
                self._drop(name)

    def _drop(self, name: str) -> None:
        gone = self._batches.pop(name, None)
        if gone is not None:
            shutil.rmtree(gone.folder, ignore_errors=True)

    @staticmethod
    def _sort_in(batch: Batch, safe: str) -> None:
        known = [*batch.logs, *batch.maps, *batch.arms]
        if safe in known:
            return
        if not safe.lower().endswith(".toml"):
            batch.logs.append(safe)
            return
        with suppress(OSError, UnicodeDecodeError, tomllib.TOMLDecodeError):
            keys = tomllib.loads((batch.folder / safe).read_text("utf-8"))
            if "arm" in keys or "joints" in keys:
                batch.arms.append(safe)
                return
        batch.maps.append(safe)


def sweep() -> None:
    """Delete what dashboards of this user that have gone left behind."""
    for folder in Path(tempfile.gettempdir()).glob(f"{_PREFIX}*-*"):
        number = folder.name.removeprefix(_PREFIX).partition("-")[0]
        with suppress(OSError, ValueError, OverflowError):
            if folder.stat().st_uid == os.getuid() and not _alive(int(number)):
                shutil.rmtree(folder, ignore_errors=True)


def _alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def _over_quota(name: str) -> UsageError:
    return UsageError(
        f"{name}: you have {QUOTA_BYTES >> 30} GiB of files here that are not taken in",
        todo="take in or discard what you dropped before; larger logs go in with "
        "`jointbook ingest`",
    )


def safe_name(text: str) -> str:
    """Return a file name without folders and without what shells stumble on.

    >>> safe_name("../../etc/my log (1).csv")
    'my log (1).csv'
    """
    last = re.split(r"[/\\]", text)[-1]
    kept = re.sub(r"[^\w .()+@=-]", "_", last).strip(" .")
    return kept[-120:] or "log"


def proposals(batch: Batch, reader: Confined) -> list[Proposed]:
    """Return a map for every log of a batch; each log is read by ``reader``.

    Once it is busy for too long, the logs that are left have that for their trouble.
    """
    if batch.maps:
        given = [(name, (batch.folder / name).read_text("utf-8")) for name in sorted(batch.maps)]
        return [
            Proposed(tuple(batch.logs), text, source=name, trouble=_map_trouble(text))
            for name, text in given
        ]
    found: dict[str, Proposed] = {}
    busy = ""
    for name in batch.logs:
        one = Proposed((name,), "", trouble=busy)
        try:
            one = one if busy else reader(propose, batch.folder / name)
        except (LimitError, BusyError) as error:
            one = replace(one, trouble=failure_text(_advised(error)))
            busy = one.trouble if isinstance(error, BusyError) else ""
        key = one.toml or one.trouble
        if key in found:
            found[key] = Proposed(
                (*found[key].logs, name),
                one.toml,
                lines=found[key].lines,
                trouble=one.trouble,
                columns=found[key].columns,
            )
        else:
            found[key] = one
    return list(found.values())


def _advised(error: LimitError | BusyError) -> JointbookError:
    """Return what a reader failed at, in words about logs, with what to do."""
    if isinstance(error, BusyError):
        return BusyError(
            f"this log was not read: {error.what}; nothing is wrong with it",
            todo="try again in a few minutes",
        )
    what = f"{error.what}; nothing of it was stored"
    if isinstance(error, ReaderEnded):
        return ReaderEnded(
            what,
            todo="it may be damaged, or another kind of file than its name says: write it anew "
            "with the program it comes from",
            last=error.last,
        )
    return LimitError(
        what,
        todo="a table with one cell far from the others is as large as all between: take that "
        "cell out; a log that is truly so large goes in with `jointbook ingest`",
        last=error.last,
    )


def propose(path: Path) -> Proposed:
    """Return a map for one log, or why there is none."""
    from replay.logs import propose_map

    try:
        proposal = propose_map(path)
    except JointbookError as error:
        return Proposed((path.name,), "", trouble=failure_text(error))
    missing = "; ".join(proposal.missing)
    trouble = f"This log lacks what every log needs: {missing}." if missing else ""
    used = proposal.used
    lines = tuple(
        ReviewLine(
            f"[{line.table}] {line.key} = {line.value}",
            line.confidence,
            line.why,
            line.samples,
            line.otherwise,
            used=line in used,
        )
        for line in proposal.lines
    )
    unused = set(proposal.unused)
    columns = tuple(
        (name, ", ".join(values), name not in unused) for name, values in proposal.shown.items()
    )
    return Proposed((path.name,), proposal.toml, lines=lines, trouble=trouble, columns=columns)


def look(batch: Batch, log: str, text: str) -> Look:
    """Read the first rows of one log of a batch with a map's text, in this very process."""
    try:
        log_map = own_map(text)
        seen = preview(batch.folder / log, log_map)
    except JointbookError as error:
        return Look(trouble=failure_text(error))
    return Look(seen.joints, seen)


def _map_trouble(text: str) -> str:
    try:
        own_map(text)
    except JointbookError as error:
        return failure_text(error)
    return ""


def own_map(text: str) -> LogMap:
    """Return the map of a text that came from outside; it may name no file of this machine.

    Raises
    ------
    LogMapError
        When it is no map, or names a file.
    """
    with suppress(tomllib.TOMLDecodeError):
        packets = tomllib.loads(text).get("packets")
        if isinstance(packets, dict) and "xtce" in packets:
            raise LogMapError(
                "a map that comes in here names no file of the server: [packets] xtce",
                todo="put the description itself there as xtce_text, or use `jointbook ingest`",
            )
    return load_map(text if "\n" in text else text + "\n")


def check_map(text: str) -> None:
    """Raise LogMapError, in words, when a map's text is not one."""
    own_map(text)


def take(
    archive: Archive,
    batch: Batch,
    maps: list[str],
    arm: str | None,
    progress: Callable[[str, int, int], None],
    limits: Limits = TAKE,
) -> IngestResult:
    """Take a batch's logs into the archive with the confirmed maps, in a process of its own.

    A log that takes more than ``limits`` is refused, and so is one that ends its reader; the
    others are taken in. The time is each log's own: of many logs none is refused for the others.

    Parameters
    ----------
    arm : str or None
        The text of an arm file.
    """
    before = set(archive.sessions()["session"])
    logs = list(batch.logs)
    over: list[Refusal] = []
    with Confined(limits) as reader:
        while True:
            paths = [batch.folder / name for name in logs]
            try:
                result = reader(take_here, archive, paths, maps, arm, progress=progress)
                break
            except LimitError as error:
                if error.last not in logs:
                    raise _advised(error) from error
                logs.remove(error.last)
                over.append(Refusal(error.last, failure_text(_advised(error))))
    # what was stored before a process had to be ended is there already for the next one
    mine = [archive.session(name) for name in result.unchanged if over and name not in before]
    return replace(
        result,
        sessions=[*mine, *result.sessions],
        unchanged=[name for name in result.unchanged if name not in {s.session for s in mine}],
        refused=[*result.refused, *over],
    )


def take_here(
    archive: Archive,
    logs: list[Path],
    maps: list[str],
    arm: str | None,
    progress: Callable[[str, int, int], None],
) -> IngestResult:
    """Take logs into the archive with maps that came from outside, in this very process."""
    the_arm = load_arm(arm if "\n" in arm else f"{arm}\n") if arm else None  # never a path
    loaded = [own_map(text) for text in maps]
    return ingest(archive, logs, log_map=loaded or None, arm=the_arm, progress=progress)


def known_arms(archive: Archive) -> dict[str, str]:
    """Return arm files that sessions were taken in with, newest of each name."""
    frame = archive.sessions()
    arms: dict[str, str] = {}
    if not frame.height:
        return arms
    newest = frame.sort("start").group_by("arm", maintain_order=True).agg(pl.col("session").last())
    for name, session in newest.select("arm", "session").iter_rows():
        text = archive.session(session).arm_toml
        if text:
            arms[name] = text
    return arms
