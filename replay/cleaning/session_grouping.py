"""Which files are logs of one session: same time, same map, other channels."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from replay.cleaning.log_files import State, state_of
from replay.cleaning.parts import find_time
from replay.cleaning.times.time_column import Clock
from replay.logs.bind import is_whole
from replay.logs.long_words import long_columns
from replay.logs.maps import LogMap
from replay.logs.proposing.fit import Fit, fit_some
from replay.logs.readers.arranged import arranged
from replay.logs.readers.open_log import open_log
from replay.logs.readers.raw import RawLog

MOST_OPEN = 500
"""So many parts of sessions stay open until all have been looked at; their samples take memory."""
SHARED_TIME = 0.5
"""Logs belong together if they share this much of the shorter one's span."""


@dataclass(frozen=True, slots=True)
class Opened:
    """An opened log, and the state of its file before it was opened."""

    raw: RawLog
    state: State


@dataclass(frozen=True, slots=True)
class Group:
    """The files of one session, and those of them that are open already."""

    paths: list[Path]
    opened: dict[Path, Opened] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Peek:
    """A log that has some of what its map names, and when it runs."""

    path: Path
    place: int
    """Where the file stands among those that were named."""
    fit: Fit
    start_ns: int
    end_ns: int
    opened: Opened | None = None

    @property
    def channels(self) -> frozenset[str]:
        """Those that this log has."""
        return frozenset(b.channel for b in self.fit.bindings)


@dataclass(frozen=True, slots=True)
class _Pool:
    peeks: list[Peek] = field(default_factory=list)

    @property
    def end_ns(self) -> int:
        return max(p.end_ns for p in self.peeks)

    def takes(self, other: Peek) -> bool:
        """Tell whether a log shares enough time with all that are here."""
        return all(_share(p, other) >= SHARED_TIME for p in self.peeks)


def gather(
    paths: Sequence[Path], maps: Sequence[LogMap], looking: Callable[[Path], None] | None = None
) -> Iterator[Group]:
    """Yield the files, group by group; one group is one session.

    A file that has all that its map names cannot be a part of another session:
    it comes at once, opened. Those that have some of it are put together when
    all have been looked at. Only first rows, and rows spread over a file, are
    looked at. A file that cannot be looked at comes alone; what is wrong with
    it is told when it is read. ``looking`` is told of each before it is looked at.
    """
    if len(paths) < 2 or not maps:
        yield from (Group([p]) for p in paths)
        return
    parts: list[Peek] = []
    for place, path in enumerate(paths):
        if looking is not None:
            looking(path)
        found = look(path, place, maps)
        if isinstance(found, Peek):
            parts.append(found if len(parts) < MOST_OPEN else replace(found, opened=None))
        else:
            yield found
    yield from put_together(parts)


def put_together(parts: Sequence[Peek]) -> Iterator[Group]:
    """Yield the sessions that parts make, each with those of its logs that are still open."""
    for pool in _pools(parts):
        yield Group([p.path for p in pool], {p.path: p.opened for p in pool if p.opened})


def look(path: Path, place: int, maps: Sequence[LogMap]) -> Group | Peek:
    """Tell a log that is a session by itself from a part of one, by its first rows."""
    with tempfile.TemporaryDirectory(prefix="jointbook-") as scratch:
        try:
            before = state_of(path)
            raw = open_log(path, Path(scratch), maps)
            found = fit_some(raw, maps)
            if found is None:
                return Group([path])
            if is_whole(found.log_map, found.bindings):
                kept = _still_open(raw, scratch, before)
                return Group([path], {} if kept is None else {path: kept})
            span = log_span(arranged(raw, found.log_map), found.log_map)
        except (KeyboardInterrupt, SystemExit):
            raise
        except BaseException:  # what is wrong with it is told when it is read
            return Group([path])
        kept = _still_open(raw, scratch, before)
    return Group([path]) if span is None else Peek(path, place, found, *span, kept)


def _still_open(raw: RawLog, scratch: str, before: State) -> Opened | None:
    """Return a log that stays open; None for one that rests on files which go now."""
    if any(Path(scratch).iterdir()):
        return None
    return Opened(raw, before)


def _pools(parts: Sequence[Peek]) -> list[list[Peek]]:
    """Put logs of other channels and the same time together.

    In the order of their starts, so that a log meets only those that still run;
    and by what they hold, so that logs of the same channels do not meet at all.
    """
    done: list[_Pool] = []
    running: dict[int, dict[frozenset[str], list[_Pool]]] = {}
    for peek in sorted(parts, key=lambda p: (p.start_ns, p.place)):
        by_channels = running.setdefault(id(peek.fit.log_map), {})
        mine = peek.channels
        home: _Pool | None = None
        for held in list(by_channels):
            if held & mine:
                continue
            by_channels[held] = [p for p in by_channels[held] if p.end_ns >= peek.start_ns]
            home = next((p for p in by_channels[held] if p.takes(peek)), None)
            if home is not None:
                by_channels[held].remove(home)
                home.peeks.append(peek)
                by_channels.setdefault(held | mine, []).append(home)
                break
        if home is None:
            home = _Pool([peek])
            done.append(home)
            by_channels.setdefault(mine, []).append(home)
    groups = [sorted(pool.peeks, key=lambda p: p.place) for pool in done]
    return sorted(groups, key=lambda g: g[0].place)


def log_span(raw: RawLog, log_map: LogMap) -> tuple[int, int] | None:
    """Return first and last instant of what was sampled of a log, ns since 1970."""
    if log_map.layout == "long":
        column: str | None = long_columns(log_map)[0]
    else:
        column = find_time(raw, log_map)
    if column is None:
        return None
    ns, ok = Clock(log_map.time).read_from(raw.sample, column)
    return (int(np.min(ns[ok])), int(np.max(ns[ok]))) if ok.any() else None


def _share(one: Peek, other: Peek) -> float:
    common = min(one.end_ns, other.end_ns) - max(one.start_ns, other.start_ns)
    shorter = min(one.end_ns - one.start_ns, other.end_ns - other.start_ns)
    if shorter <= 0:
        return 1.0 if common >= 0 else 0.0
    return common / shorter
