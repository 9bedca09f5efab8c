"""The log map: which column of a log is which quantity, in which unit.

A map is a TOML file. It is read strictly: a key that nobody knows is an
error, since a misspelt key would otherwise be a quantity silently missing.

Longer than 245 lines because each key is read, checked and explained in one place, table after
table.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from replay.errors import LogMapError
from replay.logs import scales
from replay.logs.described import with_description
from replay.logs.times.patterns import fault, is_pattern
from replay.logs.times.timeforms import (
    SINCE_START,
    START_PLACES,
    TIME_FORMS,
    TIME_SCALES,
    parse_start,
)
from replay.logs.words import check_words
from replay.wording import counted

PATTERN = "%d.%m.%Y %H:%M:%S"
"""A pattern of the parts of date and time stands for the times of any office."""

JOINT_KEYS: dict[str, tuple[str, str]] = {
    "angle": ("angle_deg", "angle"),
    "commanded_angle": ("angle_cmd_deg", "angle"),
    "motor_angle": ("motor_angle_deg", "angle"),
    "rate": ("rate_deg_s", "rate"),
    "commanded_rate": ("rate_cmd_deg_s", "rate"),
    "current": ("current_a", "current"),
    "target_current": ("current_target_a", "current"),
    "torque": ("torque_nm", "torque"),
    "temperature": ("temperature_c", "temperature"),
    "brake_command": ("brake_engage_cmd", ""),
    "brake_state": ("brake_engaged", ""),
}
"""Key in the map: our quantity, and what its unit measures ("" for words)."""

LOG_KEYS = ("layout", "joints", "first_number", "numbering", "arm", "run", "joint_in_name",
    "joint_column")  # fmt: skip
TIME_KEYS = (
    "column", "rows_at_hz", "format", "start", "start_from", "start_format", "scale", "epoch",
    "p_field", "nanosecond", "date",
)  # fmt: skip
ENTRY_KEYS = ("column", "columns", "unit", "words", "sentinels", "optional")

SHARED_KEYS = ("temperature",)
"""Quantities of which one column may speak for several joints: a sensor of the arm or its room."""

SESSION_KEYS: dict[str, tuple[str, str]] = {
    "payload": ("payload_kg", "mass"),
    "base_end": ("base_end", ""),
    "phase": ("phase", ""),
    "person_on_tip": ("person_on_tip", ""),
}


@dataclass(frozen=True, slots=True)
class Entry:
    """One quantity of the map: where it is found and how it is read."""

    key: str
    quantity: str
    patterns: tuple[str, ...] = ()
    columns: tuple[str | None, ...] = ()
    unit: str | None = None
    words: Mapping[str, str] = field(default_factory=dict)
    sentinels: tuple[float, ...] = ()
    value: float | str | bool | None = None
    units: tuple[str, ...] = ()
    """One for each joint, where they differ."""
    optional: bool = False
    """Some logs of the recorder lack it."""

    def unit_at(self, place: int | None) -> str | None:
        """Return the unit of one joint's column."""
        return self.units[place] if self.units and place is not None else self.unit


@dataclass(frozen=True, slots=True)
class TimeEntry:
    """How the log tells time. Exactly one of ``columns`` and ``rows_at_hz``."""

    columns: tuple[str, ...] = ()
    """Names that the time column may have; the first one that is there is it."""
    rows_at_hz: float | None = None
    format: str = "iso8601"
    start: str | None = None
    scale: str = "UTC"
    scale_stated: bool = False
    """Whether the map says so, or it is only assumed."""
    epoch: str | None = None
    p_field: str = ""
    """Octets in hexadecimal that go before a binary code that comes without them."""
    start_from: str | None = None
    """Where each log's own start stands: its ``name``, its ``folder``'s, a ``sidecar``."""
    start_format: str | None = None
    nanosecond: str | None = None
    """Column with the nanoseconds within the second that the time column counts."""
    date: str | None = None
    """Column with the date, where the time column has the time of day alone."""

    def column_in(self, present: Sequence[str]) -> str | None:
        """Return the time column among those of a log, or None."""
        return next((c for c in self.columns if c in present), None)

    @property
    def start_ns(self) -> int | None:
        """Nanoseconds since 1970 of the stated start, or None."""
        return None if self.start is None else parse_start(self.start)


@dataclass(frozen=True, slots=True)
class LogMap:
    """A whole map, checked."""

    layout: str
    joints: tuple[str, ...]
    named: bool
    """Whether the joints were named in the map, or only counted."""
    first_number: int
    numbering: str
    time: TimeEntry
    joint: Mapping[str, Entry]
    session: Mapping[str, Entry]
    long: tuple[str, str, str] | None = None
    arm: str | None = None
    run: str | None = None
    """Column that says which of several runs a row belongs to."""
    joint_in_name: str | None = None
    """Pattern that names the joint in a file's name, where each joint has a file of its own."""
    joint_column: str | None = None
    """Column that says which joint a row speaks of; the others are read by joint."""
    long_parts: tuple[str, ...] = ()
    """Columns whose words together name a long table's channel."""
    packets: Mapping[str, str] = field(default_factory=dict)
    toml: str = ""

    @property
    def numbers(self) -> tuple[int, ...]:
        """Numbers that stand for the joints in a pattern, in order."""
        return tuple(range(self.first_number, self.first_number + len(self.joints)))


def load_map(source: str | Path) -> LogMap:
    """Read a log map from a file, or from TOML text.

    Parameters
    ----------
    source : str or Path
        A path, or the TOML itself: text with a line break or a ``[`` is TOML.

    Returns
    -------
    LogMap
        The map, every key checked.

    Raises
    ------
    LogMapError
        With the key that is wrong and what may stand there.
    """
    file: object = None
    if isinstance(source, Path) or not ("\n" in source or "[" in source):
        file = source
        try:
            text = Path(source).read_text(encoding="utf-8-sig")
        except OSError as error:
            raise LogMapError(f"cannot read the log map: {error.strerror}", file=file) from None
        except UnicodeDecodeError:
            raise LogMapError("the log map is not UTF-8 text", file=file) from None
    else:
        text = source
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise LogMapError(f"not TOML: {error}", file=file) from None
    except (RecursionError, ValueError, OverflowError) as error:
        raise LogMapError(
            f"not TOML that can be read: {str(error)[:120]}",
            file=file,
            todo="a log map has tables one or two deep and plain numbers",
        ) from None
    try:
        return _build(data, text, file)
    except (TypeError, ValueError, AttributeError, KeyError, RecursionError) as error:
        raise LogMapError(
            f"a value is of a kind that no log map has: {str(error)[:120]}",
            file=file,
            todo="names and units are text, numbers are plain, columns are lists of names",
        ) from None


def _build(data: dict[str, Any], text: str, file: object) -> LogMap:
    _known(data, ("log", "time", "joint", "session", "long", "packets"), "", file)
    log = _table(data, "log", file)
    _known(log, LOG_KEYS, "log", file)
    run = log.get("run")
    if run is not None and (not isinstance(run, str) or log.get("layout", "wide") != "wide"):
        raise LogMapError(f"log.run is {run!r}", file=file, todo="a column's name, in wide logs")
    by_joint = log.get("joint_column")
    if by_joint is not None and (
        not isinstance(by_joint, str) or log.get("layout", "wide") != "wide"
    ):
        raise LogMapError(
            f"log.joint_column is {by_joint!r}", file=file, todo="a column's name, in wide logs"
        )
    layout = _choice(log.get("layout", "wide"), ("wide", "long"), "log.layout", file)
    numbering = _choice(log.get("numbering", "A"), ("A", "base"), "log.numbering", file)
    first = log.get("first_number", 1)
    if not isinstance(first, int) or isinstance(first, bool):
        raise LogMapError(f"log.first_number is {first!r}", file=file, todo="a whole number")
    if not isinstance(log.get("arm", ""), str):
        raise LogMapError(f"log.arm is {log['arm']!r}", file=file, todo="the arm's name")
    in_name = log.get("joint_in_name")
    if in_name is not None and (
        not isinstance(in_name, str) or ("{n}" in in_name) == ("{name}" in in_name)
    ):
        raise LogMapError(
            f"log.joint_in_name is {in_name!r}", file=file, todo='such as "axis{n}" or "_{name}."'
        )
    joints, named = _joints(log.get("joints"), first, file)
    time = _time(_table(data, "time", file), file)
    joint_table = _table(data, "joint", file)
    _known(joint_table, tuple(JOINT_KEYS), "joint", file)
    joint = {
        key: _entry(
            key, JOINT_KEYS[key], joint_table[key], "joint", 1 if in_name else len(joints), file
        )
        for key in joint_table
    }
    session_table = _table(data, "session", file)
    _known(session_table, tuple(SESSION_KEYS), "session", file)
    session = {
        key: _entry(key, SESSION_KEYS[key], session_table[key], "session", 1, file)
        for key in session_table
    }
    long: tuple[str, str, str] | None = None
    parts: tuple[str, ...] = ()
    if layout == "long":
        table = _table(data, "long", file)
        _known(table, ("time", "channel", "value"), "long", file)
        names = [table.get(k, k) for k in ("time", "channel", "value")]
        if isinstance(names[1], list) and len(names[1]) > 1:
            parts = tuple(c.strip() if isinstance(c, str) else "" for c in names[1])
            names[1] = ".".join(parts) if all(parts) else None
        if not all(isinstance(n, str) for n in names):
            raise LogMapError(
                "long.time, long.channel and long.value are column names",
                file=file,
                todo="of channel several, where their words together name it",
            )
        long = (names[0].strip(), names[1].strip(), names[2].strip())
    described = dict(_table(data, "packets", file))
    _known(described, ("xtce", "xtce_text", "root"), "packets", file)
    text = with_description(described, text, file)
    packets = {str(k): str(v) for k, v in described.items()}
    if packets and layout != "long":
        raise LogMapError("packets give one value a row", file=file, todo='[log] layout = "long"')
    return LogMap(
        layout=layout,
        joints=joints,
        named=named,
        first_number=first,
        numbering=numbering,
        time=time,
        joint=joint,
        session=session,
        long=long,
        arm=log.get("arm"),
        run=run,
        joint_in_name=in_name,
        joint_column=by_joint,
        long_parts=parts,
        packets=packets,
        toml=text,
    )


def _joints(value: Any, first: int, file: object) -> tuple[tuple[str, ...], bool]:
    if isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= 1000:
        return tuple(f"J{n}" for n in range(first, first + value)), False
    if (
        isinstance(value, list)
        and value
        and all(isinstance(v, str) and v.strip() and "." not in v for v in value)
        and len(set(value)) == len(value)
    ):
        return tuple(value), True
    raise LogMapError(
        f"log.joints is {value!r}",
        file=file,
        todo='a count, joints = 7, or different names without dots, joints = ["J1", "J2"]',
    )


def _time(table: dict[str, Any], file: object) -> TimeEntry:
    _known(table, TIME_KEYS, "time", file)
    rows = table.get("rows_at_hz")
    column = table.get("column")
    if rows is not None and (isinstance(rows, bool) or not isinstance(rows, int | float)):
        raise LogMapError(f"time.rows_at_hz is {rows!r}", file=file, todo="a number of Hz")
    if rows is not None and not 1e-6 <= rows < 1e9:
        raise LogMapError(
            f"time.rows_at_hz is {rows!r}", file=file, todo="a rate from 0.000001 to 1000000000 Hz"
        )
    columns = (column,) if isinstance(column, str) else tuple(column or ())
    columns = tuple(c.strip() if isinstance(c, str) else c for c in columns)
    if not all(isinstance(c, str) for c in columns):
        raise LogMapError(f"time.column is {column!r}", file=file, todo="a name, or several")
    if (rows is None) == (not columns):
        raise LogMapError(
            "time needs a column, or rows_at_hz for a log without time",
            file=file,
            todo='[time] column = "t"  or  rows_at_hz = 10.0',
        )
    form = table.get("format", "iso8601" if rows is None else "seconds")
    if is_pattern(form):
        wrong = fault(form)
        if wrong is not None:
            raise LogMapError(
                f"time.format is {form!r}: {wrong}", file=file, todo='such as "%d.%m.%Y %H:%M:%S"'
            )
    else:
        form = _choice(form, (*TIME_FORMS, PATTERN), "time.format", file)
    scale = _choice(table.get("scale", "UTC"), TIME_SCALES, "time.scale", file)
    start = table.get("start")
    if start is not None:
        start = start.isoformat() if hasattr(start, "isoformat") else str(start)
        try:
            parse_start(start)
        except ValueError as error:
            raise LogMapError(f"time.start: {error}", file=file) from None
    if not isinstance(table.get("p_field", ""), str):
        raise LogMapError(f"time.p_field is {table['p_field']!r}", file=file, todo='such as "1E"')
    nanosecond = table.get("nanosecond")
    if nanosecond is not None and not isinstance(nanosecond, str):
        raise LogMapError(f"time.nanosecond is {nanosecond!r}", file=file, todo="a column's name")
    date = table.get("date")
    if date is not None and not (isinstance(date, str) and columns):
        raise LogMapError(
            f"time.date is {date!r}", file=file, todo="a column's name, beside [time] column"
        )
    start_from = table.get("start_from")
    if start_from is not None:
        start_from = _choice(start_from, START_PLACES, "time.start_from", file)
        if start is not None:
            raise LogMapError("time has both start and start_from", file=file, todo="keep one")
    start_format = table.get("start_format")
    if start_format is not None and (not is_pattern(start_format) or fault(start_format)):
        raise LogMapError(
            f"time.start_format is {start_format!r}", file=file, todo='such as "%Y%m%d_%H%M%S"'
        )
    if start is None and start_from is None and (rows is not None or form in SINCE_START):
        raise LogMapError(
            "time.start is missing: seconds and rows count from a stated instant",
            file=file,
            todo='[time] start = "2031-03-01T00:00:00Z", or start_from = "name" where the file\'s '
            "name tells it",
        )
    epoch = table.get("epoch")
    if epoch is not None:
        epoch = epoch.isoformat() if hasattr(epoch, "isoformat") else str(epoch)
        try:
            parse_start(epoch)
        except ValueError as error:
            raise LogMapError(f"time.epoch: {error}", file=file) from None
    if epoch is not None and form == "ccsds-cuc" and "scale" not in table:
        raise LogMapError(
            "time.epoch is an agency's own, and nothing says in which scale its clock counts",
            file=file,
            todo='[time] scale = "UTC", "TAI" or "GPS"',
        )
    return TimeEntry(
        columns=columns,
        rows_at_hz=None if rows is None else float(rows),
        format=form,
        start=start,
        scale=scale,
        scale_stated="scale" in table,
        epoch=epoch,
        p_field=str(table.get("p_field", "")),
        nanosecond=nanosecond,
        date=date,
        start_from=start_from,
        start_format=start_format,
    )


def _entry(
    key: str, kind: tuple[str, str], table: Any, room: str, joints: int, file: object
) -> Entry:
    where = f"{room}.{key}"
    if not isinstance(table, dict):
        raise LogMapError(f"{where} is not a table", file=file, todo=f"[{where}]")
    quantity, measures = kind
    _known(table, (*ENTRY_KEYS, "value") if room == "session" else ENTRY_KEYS, where, file)
    patterns = table.get("column", ())
    patterns = (patterns,) if isinstance(patterns, str) else tuple(patterns)
    columns = tuple(None if c == "" else c for c in table.get("columns", ()))
    value = table.get("value")
    if sum(bool(x) for x in (patterns, columns, value is not None)) != 1:
        raise LogMapError(
            f"{where} needs one of column, columns" + (", value" if room == "session" else ""),
            file=file,
        )
    if columns and room == "joint" and len(columns) != joints:
        raise LogMapError(
            f"{where}.columns names {len(columns)} columns, the map has {joints} joints",
            file=file,
            todo='one for each joint in order; "" where a joint has none',
        )
    patterns = tuple(p.strip() if isinstance(p, str) else p for p in patterns)
    columns = tuple(c.strip() if isinstance(c, str) else c for c in columns)
    for name in (*patterns, *columns):
        if name is not None and not isinstance(name, str):
            raise LogMapError(f"{where}: {name!r} is not a column name", file=file)
    if (
        room == "joint"
        and joints > 1
        and key not in SHARED_KEYS
        and any("{" not in p for p in patterns)
    ):
        raise LogMapError(
            f"{where}.column has no place for the joint",
            file=file,
            todo='a pattern such as "a{n}_deg", or columns = ["x", "y", ...]',
        )
    unit = table.get("unit")
    if measures:
        if unit is None:
            raise LogMapError(
                f"{where}: the unit is not stated", file=file, todo=f'{where}: unit = "..."'
            )
        if isinstance(unit, list):
            if room != "joint" or len(unit) != joints:
                raise LogMapError(
                    f"{where}.unit names {counted(len(unit), 'unit')}, the map has {joints} joints",
                    file=file,
                )
            for one in unit:
                scales.scale(str(one), measures, file=file, where=where)
        else:
            scales.scale(str(unit), measures, file=file, where=where)
    elif unit is not None:
        raise LogMapError(f"{where} has no unit", file=file)
    optional = table.get("optional", False)
    if not isinstance(optional, bool):
        raise LogMapError(f"{where}.optional is {optional!r}", file=file, todo="true or false")
    words = table.get("words", {})
    if not isinstance(words, dict):
        raise LogMapError(f"{where}.words is not a table", file=file)
    sentinels = table.get("sentinels", [])
    if not isinstance(sentinels, list) or not all(
        isinstance(s, int | float) and not isinstance(s, bool) for s in sentinels
    ):
        raise LogMapError(f"{where}.sentinels: a list of numbers", file=file)
    if (
        value is not None
        and measures
        and (isinstance(value, bool) or not isinstance(value, int | float))
    ):
        raise LogMapError(f"{where}.value is {value!r}, not a number", file=file)
    entry = Entry(
        key=key,
        quantity=quantity,
        patterns=patterns,
        columns=columns,
        unit=None if unit is None or isinstance(unit, list) else str(unit),
        units=tuple(str(u) for u in unit) if isinstance(unit, list) else (),
        optional=optional,
        words={str(k): str(v) for k, v in words.items()},
        sentinels=tuple(float(s) for s in sentinels),
        value=value,
    )
    check_words(quantity, entry.words, value, where, file)
    return entry


def _table(data: dict[str, Any], key: str, file: object) -> dict[str, Any]:
    value = data.get(key, {})
    if not isinstance(value, dict):
        raise LogMapError(f"{key} is not a table", file=file, todo=f"[{key}]")
    return value


def _known(table: dict[str, Any], names: tuple[str, ...], where: str, file: object) -> None:
    for key in table:
        if key not in names:
            near = difflib.get_close_matches(key, names, 1)
            place = f"{where}.{key}" if where else key
            raise LogMapError(
                f"unknown key {place}",
                file=file,
                todo=f"did you mean {near[0]}?" if near else "known: " + ", ".join(names),
            )


def _choice(value: Any, options: tuple[str, ...], where: str, file: object) -> str:
    if value in options:
        return str(value)
    near = difflib.get_close_matches(str(value), options, 1)
    raise LogMapError(
        f"{where} is {value!r}",
        file=file,
        todo=(f"did you mean {near[0]!r}? " if near else "") + "one of " + ", ".join(options),
    )
