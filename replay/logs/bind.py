"""Hold a log map against the columns that a log really has."""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from replay.errors import LogMapError
from replay.logs.maps import SHARED_KEYS, Entry, LogMap
from replay.units import channel

_SHOWN = 60
"""So many letters of a column's name are shown."""


@dataclass(frozen=True, slots=True)
class Binding:
    """One channel of ours and the column it comes from."""

    channel: str
    column: str
    entry: Entry
    joint: int | None = None
    """Place of the joint from end A, 0 first, as the map numbers it."""


def bind(log_map: LogMap, columns: Sequence[str], file: object) -> list[Binding]:
    """Find each mapped quantity among the columns.

    A quantity that is mapped must be there for at least one joint; time, an
    angle or a rate, and a current must be there at all.

    Raises
    ------
    LogMapError
        With the column that is missing and the nearest names there are.
    """
    present = set(columns)
    found: list[Binding] = []
    places = _places(log_map, file)
    if not places:
        raise LogMapError(
            f"log.joint_in_name = {log_map.joint_in_name!r}: the file's name names none of the "
            f"joints {', '.join(log_map.joints)}",
            file=file,
        )
    for entry in log_map.joint.values():
        mine = [
            Binding(channel(log_map.joints[place], entry.quantity), column, entry, place)
            for place in places
            if (column := _joint_column(log_map, entry, place, present)) is not None
        ]
        if not mine and entry.optional:
            continue
        if not mine:
            raise _missing(
                log_map, f"joint.{entry.key}", names_of(log_map, entry, 0), columns, file
            )
        absent = [log_map.joints[k] for k in places if k not in {b.joint for b in mine}]
        if absent and entry.patterns and not entry.optional:
            place = log_map.joints.index(absent[0])
            raise _missing(
                log_map,
                f"joint.{entry.key}",
                names_of(log_map, entry, place),
                columns,
                file,
                joint=absent[0],
            )
        found += mine
    for entry in log_map.session.values():
        if entry.value is not None:
            continue
        name = next((p for p in (*entry.patterns, *entry.columns) if p in present), None)
        if name is None and entry.optional:
            continue
        if name is None:
            raise _missing(log_map, f"session.{entry.key}", entry.patterns, columns, file)
        found.append(Binding(entry.quantity, name, entry))
    _refuse_twice(found, file)
    return found


def _refuse_twice(found: Sequence[Binding], file: object) -> None:
    """Refuse numbers of one column for two channels.

    A switch may be common to all joints, and so may a temperature.
    """
    seen: dict[str, Binding] = {}
    for b in found:
        before = seen.setdefault(b.column, b)
        common = b.entry.unit_at(0) is None or b.entry.key in SHARED_KEYS
        if before is not b and not (before.entry.key == b.entry.key and common):
            raise LogMapError(
                f"{before.channel} and {b.channel} are both read from column {b.column!r}",
                file=file,
                column=b.column,
                todo="one of the two lines of the log map is not right",
            )


def bind_some(log_map: LogMap, columns: Sequence[str], file: object = None) -> list[Binding]:
    """Find what can be found: a log may be one of several of a session."""
    present = set(columns)
    found = [
        Binding(channel(log_map.joints[place], entry.quantity), column, entry, place)
        for entry in log_map.joint.values()
        for place in _places(log_map, file)
        if (column := _joint_column(log_map, entry, place, present)) is not None
    ]
    for entry in log_map.session.values():
        name = next((p for p in (*entry.patterns, *entry.columns) if p in present), None)
        if name is not None:
            found.append(Binding(entry.quantity, name, entry))
    return found


def is_whole(log_map: LogMap, found: Sequence[Binding]) -> bool:
    """Tell whether a log has all that the map names, so that no other log can add to it."""
    there = {b.channel for b in found}
    joint = [
        channel(name, e.quantity)
        for e in log_map.joint.values()
        for place, name in enumerate(log_map.joints)
        if log_map.joint_in_name is not None or names_of(log_map, e, place)
    ]
    session = [e.quantity for e in log_map.session.values() if e.value is None]
    return there >= {*joint, *session}


def check_whole(log_map: LogMap, found: Sequence[Binding], files: Sequence[object]) -> None:
    """Raise LogMapError when several logs together lack a mapped quantity."""
    there = {b.entry.key for b in found}
    wanted = [
        e
        for e in (*log_map.joint.values(), *log_map.session.values())
        if e.value is None and not e.optional
    ]
    lacking = [e.key for e in wanted if e.key not in there]
    if lacking:
        raise LogMapError(
            f"none of the logs of this session has a {noun(log_map)} for {', '.join(lacking)}",
            file="; ".join(str(f) for f in files),
            todo="take it out of the log map if the recorder does not write it, or say "
            "optional = true",
        )


def check_enough(log_map: LogMap, file: object) -> None:
    """Raise LogMapError unless the map has what a joint log cannot lack."""
    instead = {"torque", "target_current"} & set(log_map.joint)
    if "current" not in log_map.joint and not instead:
        raise LogMapError(
            "the log map names no motor current, and without one nothing can be reviewed",
            file=file,
            todo="[joint.current] column = ..., unit = ...",
        )
    if "angle" not in log_map.joint and "rate" not in log_map.joint:
        raise LogMapError(
            "the log map names neither an angle nor a rate; one of them is needed",
            file=file,
            todo="[joint.angle] or [joint.rate]",
        )


def names_of(log_map: LogMap, entry: Entry, place: int) -> tuple[str, ...]:
    """Return the column names that would do for one joint."""
    if entry.columns:
        name = entry.columns[place if log_map.joint_in_name is None else 0]
        return () if name is None else (name,)
    return tuple(
        p.replace("{n}", str(log_map.numbers[place])).replace("{name}", log_map.joints[place])
        for p in entry.patterns
    )


def _places(log_map: LogMap, file: object) -> list[int]:
    """Return the joints that a file holds: all, or the one that its name names."""
    everyone = list(range(len(log_map.joints)))
    if log_map.joint_in_name is None:
        return everyone
    words = Path(str(file)).name
    for place in everyone:
        number, name = str(log_map.numbers[place]), log_map.joints[place]
        pattern = log_map.joint_in_name.replace("{n}", number).replace("{name}", name)
        if re.search(rf"{re.escape(pattern)}(?!\d)", words):
            return [place]
    return []


def _joint_column(log_map: LogMap, entry: Entry, place: int, present: set[str]) -> str | None:
    names = names_of(log_map, entry, place)
    return next((n for n in names if n in present), None)


def noun(log_map: LogMap) -> str:
    """Return what a log calls the place of one quantity: a column, or a channel."""
    return "channel" if log_map.layout == "long" else "column"


def _missing(
    log_map: LogMap,
    where: str,
    wanted: Sequence[str],
    columns: Sequence[str],
    file: object,
    joint: str | None = None,
) -> LogMapError:
    name = wanted[0] if wanted else ""
    near = difflib.get_close_matches(name, columns, 3, 0.5)
    shown = ", ".join(repr(c[:_SHOWN]) for c in (near or list(columns)[:8]))
    kind = noun(log_map)
    return LogMapError(
        f"{where}: no {kind} " + " or ".join(repr(w) for w in wanted),
        file=file,
        column=(name or None) if kind == "column" else None,
        joint=joint,
        todo=f"{'near names' if near else kind + 's'}: {shown}; or [{where}] optional = true, "
        "where some logs of the recorder lack it",
    )
