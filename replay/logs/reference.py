"""The reference of a log map, written from the tables that the reader itself goes by."""

from __future__ import annotations

from replay.logs.maps import ENTRY_KEYS, JOINT_KEYS, LOG_KEYS, SESSION_KEYS, TIME_KEYS
from replay.logs.scales import SCALES, SPELLINGS
from replay.logs.times.patterns import KNOWN
from replay.logs.times.start_names import NAME_FORMS, SIDECAR_ENDINGS
from replay.logs.times.timeforms import START_PLACES, TIME_FORMS, TIME_SCALES
from replay.logs.words import MEANINGS
from replay.units import JOINT_QUANTITIES, SESSION_QUANTITIES

SAID = {
    "log.layout": "`wide` (one row an instant) or `long` (one value a row)",
    "log.joints": "how many joints, or their names from end A",
    "log.first_number": "the number of the first joint in column names (1)",
    "log.numbering": "`A`: number 1 is nearest end A; `base`: nearest the base of the moment",
    "log.arm": "the arm's name where there is no arm file",
    "log.run": "column that says which of several runs in the file a row belongs to",
    "log.joint_in_name": "pattern in the file's name where each joint has a file of its own, "
    "`axis{n}`",
    "log.joint_column": "column that says which joint a row speaks of, where a row has one joint: "
    "the others are then called by its words, `J{n}.angle` for `angle` in the rows of `J1`",
    "time.column": "the time column, or several names that it may have",
    "time.rows_at_hz": "instead of a column: rows come at this rate",
    "time.format": "one of the time formats below (`iso8601`)",
    "time.start": "the instant that seconds or rows count from, with its zone",
    "time.start_from": "where each log's own start stands: "
    + ", ".join(f"`{p}`" for p in START_PLACES),
    "time.start_format": "how it is written there, such as `" + NAME_FORMS[2] + "`",
    "time.nanosecond": "column of the nanoseconds within the second, where a stamp has two",
    "time.date": "column of the date, where the time column has the time of day alone; the format "
    "is that of both, a blank between",
    "time.scale": "`UTC`, `TAI` or `GPS`",
    "time.epoch": "instant that a binary time code counts from",
    "time.p_field": "octets that go before a binary code that comes without them",
    "entry.column": "pattern of the columns, `{n}` the number, `{name}` the joint; or several",
    "entry.columns": "instead: one name for each joint in order, `\"\"` where a joint has none; "
    "of a temperature one name may stand for several joints, or `column` without a place for all",
    "entry.unit": "unit, or a list of one for each joint",
    "entry.words": "for brakes, ends, persons, phases: the log's word = what it means",
    "entry.sentinels": "numbers that stand for no value",
    "entry.optional": "`true`: some logs of this recorder lack it, and are taken without",
    "entry.value": "for a session's quantity: one value that holds throughout",
    "long.time": "of a long table the time column (`time`)",
    "long.channel": "of a long table the column with the channels' names (`channel`); or "
    "several, `[\"joint\", \"field\"]`, whose words are joined by a dot",
    "long.value": "of a long table the column with the values (`value`)",
    "packets.xtce": "file that describes packets (XTCE); it is kept inside the map",
    "packets.xtce_text": "that description itself",
    "packets.root": "container to begin with",
}  # fmt: skip


def reference() -> str:
    """Return the reference as Markdown."""
    out = [
        "# Log maps: every key, time format, unit and word",
        "",
        "Written by `jointbook map --keys` from the reader's own tables.",
        "",
        "| key | says |",
        "|---|---|",
    ]
    keys = [f"log.{k}" for k in LOG_KEYS] + [f"time.{k}" for k in TIME_KEYS]
    keys += [f"entry.{k}" for k in (*ENTRY_KEYS, "value")]
    keys += [k for k in SAID if k.split(".")[0] in ("long", "packets")]
    for key in keys:
        table, name = key.split(".")
        shown = f"`[joint.…]`, `[session.…]` {name}" if table == "entry" else f"`[{table}]` {name}"
        out.append(f"| {shown} | {SAID[key]} |")
    out += ["", "## Quantities", "", "| table | what | units |", "|---|---|---|"]
    for key, (quantity, measures) in JOINT_KEYS.items():
        word = JOINT_QUANTITIES[quantity].word
        out.append(f"| `[joint.{key}]` | {word} | {_units(measures)} |")
    for key, (quantity, measures) in SESSION_KEYS.items():
        word = SESSION_QUANTITIES[quantity].word
        out.append(f"| `[session.{key}]` | {word} | {_units(measures)} |")
    out += ["", "Other spellings of units: " + ", ".join(f"`{s}`" for s in sorted(SPELLINGS)) + "."]
    out += ["", "## Time formats", "", "| format | is |", "|---|---|"]
    out += [f"| `{form}` | {what} |" for form, what in TIME_FORMS.items()]
    out += [
        "",
        "A pattern of `%` signs is a format too, such as `%d.%m.%Y %H:%M:%S`; known are "
        + ", ".join(f"`%{k}`" for k in KNOWN)
        + ". A fraction may follow the second.",
        "",
        "Scales: " + ", ".join(TIME_SCALES) + ". Forms of a start in a name that `map` finds by "
        "itself: " + ", ".join(f"`{f}`" for f in NAME_FORMS) + ". A sidecar ends in "
        + ", ".join(f"`{e}`" for e in SIDECAR_ENDINGS) + ".",
        "",
        "## Words that are taken without `words`, and may stand on its right side",
        "",
        "| quantity | words |",
        "|---|---|",
    ]  # fmt: skip
    for quantity, meanings in MEANINGS.items():
        told = ", ".join(f"`{w}` = {_meaning(quantity, m)}" for w, m in meanings.items())
        out.append(f"| {quantity} | {told} |")
    return "\n".join(out) + "\n"


def _units(measures: str) -> str:
    named = [f"`{s.unit}`" for s in SCALES.values() if s.measures == measures]
    return ", ".join(named) if measures else "words"


def _meaning(quantity: str, meaning: bool | str) -> str:
    if isinstance(meaning, str):
        return meaning
    if quantity.startswith("brake"):
        return "engaged" if meaning else "released"
    return "yes" if meaning else "no"
