"""The start of a log as its file's name, its folder's name or a file beside it tells it."""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from replay.errors import LogRefused
from replay.logs.maps import LogMap

SIDECAR_ENDINGS = (".start", ".txt", ".json", ".meta", ".yaml", ".ini")
"""Of ``run7.csv`` the file beside it is ``run7.start`` or ``run7.csv.start``, and so on."""
NAME_FORMS = (
    "%Y-%m-%dT%H-%M-%S", "%Y-%m-%d_%H-%M-%S", "%Y%m%d_%H%M%S", "%Y%m%dT%H%M%S", "%Y%m%d-%H%M%S",
    "%Y-%m-%d-%H-%M-%S", "%Y-%m-%d %H-%M-%S", "%Y_%m_%d_%H_%M_%S", "%Y-%m-%d_%H%M%S",
)  # fmt: skip
"""Forms of date and time that names of files have (common practice, no source)."""

_PARTS = {
    "Y": r"\d{4}", "y": r"\d{2}", "m": r"\d{2}", "d": r"\d{2}", "j": r"\d{3}", "H": r"\d{2}",
    "M": r"\d{2}", "S": r"\d{2}", "b": r"[A-Za-z]{3}", "T": r"\d{2}:\d{2}:\d{2}",
}  # fmt: skip
_MOST_BYTES = 1 << 16


def start_in(text: str, form: str) -> datetime | None:
    """Return the instant that stands in a text, or None; a text without a zone is UTC.

    Examples
    --------
    >>> start_in("run_20310301_061500.csv", "%Y%m%d_%H%M%S").isoformat()
    '2031-03-01T06:15:00+00:00'
    >>> start_in("run_7.csv", "%Y%m%d_%H%M%S") is None
    True
    """
    pattern = re.sub(
        r"%([A-Za-z])|([^%])",
        lambda m: _PARTS.get(m[1], r"\S+") if m[1] else re.escape(m[2]),
        form,
    )
    for found in re.finditer(rf"(?<!\d){pattern}(?!\d)", text):
        try:
            read = datetime.strptime(found.group(), form.replace("%T", "%H:%M:%S"))
        except ValueError:
            continue
        return read.replace(tzinfo=UTC) if read.tzinfo is None else read.astimezone(UTC)
    return None


def with_start(log_map: LogMap, path: Path) -> LogMap:
    """Return the map with the start that this very log's name, folder or sidecar tells.

    Raises
    ------
    LogRefused
        When the place that the map names holds no instant of the form it states.
    """
    entry = log_map.time
    if entry.start_from is None:
        return log_map
    form = entry.start_format or NAME_FORMS[0]
    where, words = _words(entry.start_from, path)
    found = start_in(words, form)
    if found is None:
        raise LogRefused(
            f"[time] start_from = {entry.start_from!r}: {where} holds no instant of the form "
            f"{form}",
            file=path,
            todo="state [time] start_format as the name is written, or [time] start",
        )
    time = replace(entry, start=found.isoformat())
    if entry.start_from == "name":
        return replace(log_map, time=time)
    return replace(log_map, time=time, toml=_stating(log_map.toml, found))


def _stating(toml: str, start: datetime) -> str:
    """Return a map's text with the start itself in the place of where it was found.

    The archive keeps a log without its folder and what lies beside it: a
    session is made again from the text that is kept with it.
    """
    stated = f'start = "{start.isoformat().replace("+00:00", "Z")}"'
    text, count = re.subn(r'\bstart_from\s*=\s*(["\'])\w+\1', stated, toml)
    form = r'(?m)^[ \t]*start_format\s*=.*\n?|,\s*start_format\s*=\s*(["\']).*?\1'
    text = re.sub(form, "", text)
    try:
        told = tomllib.loads(text)["time"]
    except (tomllib.TOMLDecodeError, KeyError):
        return toml
    return text if count == 1 and told.get("start") and "start_from" not in told else toml


def _words(place: str, path: Path) -> tuple[str, str]:
    if place == "name":
        return f"the name {path.name!r}", path.name
    if place == "folder":
        parent = path.resolve().parent.name
        return f"the folder's name {parent!r}", parent
    for ending in SIDECAR_ENDINGS:
        for beside in (path.with_suffix(ending), path.with_name(path.name + ending)):
            if beside != path and beside.is_file():
                return f"the file {beside.name!r}", beside.read_text("utf-8", "replace")[
                    :_MOST_BYTES
                ]
    return "no file beside it", ""
