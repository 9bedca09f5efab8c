"""Find the log map that fits a log, or propose one."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from dataclasses import dataclass

from replay.errors import LogMapError
from replay.logs.bind import Binding, bind, bind_some, check_enough
from replay.logs.long_words import channel_names
from replay.logs.maps import LogMap
from replay.logs.proposing.propose import propose
from replay.logs.readers.arranged import arranged
from replay.logs.readers.raw import RawLog


@dataclass(frozen=True, slots=True)
class Fit:
    """A log map and the columns it found; ``said`` tells of a proposed map."""

    log_map: LogMap
    bindings: list[Binding]
    said: str = ""
    channels: Sequence[str] = ()
    """Columns of the log, or the words of a long table's channel column."""


def fit(raw: RawLog, maps: Sequence[LogMap]) -> Fit:
    """Return the first map that fits the log whole; propose one when none is given.

    Raises
    ------
    LogMapError
        What the first map misses, or why no map can be proposed.
    """
    if not maps:
        return _proposed(raw)
    first: LogMapError | None = None
    for log_map in maps:
        try:
            check_enough(log_map, raw.path)
            names = _names(raw, log_map)
            return Fit(log_map, bind(log_map, names, raw.path), channels=names)
        except LogMapError as error:
            first = first or error
    assert first is not None
    left_out = [a.detail for a in raw.set_aside if a.kind == "left-out-sheet"]
    if left_out:
        raise LogMapError(
            "; ".join([first.what, *left_out]),
            file=first.file,
            column=first.column,
            joint=first.joint,
            todo=first.todo,
        )
    raise first


def fit_some(raw: RawLog, maps: Sequence[LogMap]) -> Fit | None:
    """Return the map that finds most in a log that may be a part of a session."""
    best: Fit | None = None
    for log_map in maps:
        try:
            names = _names(raw, log_map)
            found = bind_some(log_map, names, raw.path)
        except LogMapError:
            continue
        wide = log_map.layout == "wide" and bool(log_map.time.columns)
        if wide and log_map.time.column_in(raw.columns) is None:
            continue
        if found and (best is None or len(found) > len(best.bindings)):
            best = Fit(log_map, found, channels=names)
    return best


def _names(raw: RawLog, log_map: LogMap) -> Sequence[str]:
    raw = arranged(raw, log_map)
    return raw.columns if log_map.layout == "wide" else channel_names(raw, log_map)


def _proposed(raw: RawLog) -> Fit:
    proposal = propose(raw)
    if not proposal.sure:
        doubts = [
            f"[{d.table}] {d.key} = {d.value}: {d.why or 'not sure'}" for d in proposal.doubts
        ]
        raise LogMapError(
            "no log map was given, and the proposed one is not sure enough: "
            + "; ".join([*proposal.missing, *doubts]),
            file=raw.path,
            todo=f"`jointbook map {shlex.quote(str(raw.path))} --out log.map.toml`, look at "
            "its lines, then ingest with --map log.map.toml",
        )
    log_map = proposal.log_map()
    lowest = min(line.confidence for line in proposal.used if line.key != "numbering")
    names = _names(raw, log_map)
    found = bind(log_map, names, raw.path)
    off = sorted({x.table for x in proposal.lines} - {x.table for x in proposal.used})
    said = f"its least sure line {lowest:.2f}"
    if off:
        said += f"; not sure enough and not read: {', '.join(off)}"
    return Fit(log_map, found, said, names)
