"""Which files are logs of one session: same time, same map, other channels."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from replay.cleaning.parts import find_time
from replay.cleaning.times.clock import Clock
from replay.logs.long_words import long_columns
from replay.logs.maps import LogMap
from replay.logs.proposing.fit import Fit, fit_some
from replay.logs.readers.open_log import open_log
from replay.logs.readers.raw import RawLog

SHARED_TIME = 0.5
"""Logs belong together if they share this much of the shorter one's span."""


@dataclass(slots=True)
class _Peek:
    path: Path
    fit: Fit
    start_ns: int
    end_ns: int

    @property
    def channels(self) -> set[str]:
        return {b.channel for b in self.fit.bindings}


@dataclass(slots=True)
class _Pool:
    peeks: list[_Peek] = field(default_factory=list)

    def takes(self, other: _Peek) -> bool:
        """Tell whether a log goes with all that are here."""
        return all(
            p.fit.log_map is other.fit.log_map
            and not p.channels & other.channels
            and _share(p, other) >= SHARED_TIME
            for p in self.peeks
        )


def gather(paths: Sequence[Path], maps: Sequence[LogMap]) -> list[list[Path]]:
    """Put files into groups, one group a session, in the order of their first file.

    Only the first rows, and rows spread over the file, are looked at. A file
    that cannot be looked at stands alone; what is wrong with it is told when
    it is read.
    """
    if len(paths) < 2 or not maps:
        return [[p] for p in paths]
    groups: list[list[Path]] = []
    pools: list[tuple[_Pool, list[Path]]] = []
    for path in paths:
        peek = _peek(path, maps)
        if peek is not None:
            home = next((g for pool, g in pools if pool.takes(peek) and _add(pool, peek)), None)
            if home is not None:
                home.append(path)
                continue
        group = [path]
        groups.append(group)
        if peek is not None:
            pools.append((_Pool([peek]), group))
    return groups


def _add(pool: _Pool, peek: _Peek) -> bool:
    pool.peeks.append(peek)
    return True


def _peek(path: Path, maps: Sequence[LogMap]) -> _Peek | None:
    with tempfile.TemporaryDirectory(prefix="jointbook-") as scratch:
        try:
            raw = open_log(path, Path(scratch), maps)
            found = fit_some(raw, maps)
            if found is None:
                return None
            span = log_span(raw, found.log_map)
        except (KeyboardInterrupt, SystemExit):
            raise
        except BaseException:  # what is wrong with it is told when it is read
            return None
    return None if span is None else _Peek(path, found, *span)


def log_span(raw: RawLog, log_map: LogMap) -> tuple[int, int] | None:
    """Return first and last instant of what was sampled of a log, ns since 1970."""
    if log_map.layout == "long":
        column: str | None = long_columns(log_map)[0]
    else:
        column = find_time(raw, log_map)
    if column is None:
        return None
    ns, ok = Clock(log_map.time).read(raw.sample[column], raw.sample.height)
    return (int(np.min(ns[ok])), int(np.max(ns[ok]))) if ok.any() else None


def _share(one: _Peek, other: _Peek) -> float:
    common = min(one.end_ns, other.end_ns) - max(one.start_ns, other.start_ns)
    shorter = min(one.end_ns - one.start_ns, other.end_ns - other.start_ns)
    if shorter <= 0:
        return 1.0 if common >= 0 else 0.0
    return common / shorter
