"""NDJSON: one JSON object a line. Nested objects become dotted columns."""

from __future__ import annotations

import glob
import json
import re
from dataclasses import replace
from itertools import islice
from pathlib import Path

import polars as pl

from replay.errors import LogRefused, first_line
from replay.logs.readers.columnar import from_frame
from replay.logs.readers.exact_decimals import with_exact_decimals
from replay.logs.readers.nested import flat
from replay.logs.readers.raw import RawLog, SetAside
from replay.logs.readers.scrub import lines_of
from replay.logs.readers.sniff import Sniff

_MOST_BLANK = 1000
"""So many lines may be blank before the first object."""
_NO_NUMBER = re.compile(r"(?<=[:,\[\s])(-?Infinity|NaN)(?=\s*[,}\]])")


def read_ndjson(path: Path, text: Sniff, scratch: Path) -> RawLog:
    """Make an NDJSON log ready to scan; lines that are no object are set aside."""
    try:
        first = next((s for s in islice(lines_of(path, text), _MOST_BLANK) if s.strip()), "null")
        head = json.loads(first)
    except json.JSONDecodeError as error:
        raise LogRefused(
            f"the first line is no JSON object: {error}",
            file=path,
            row=1,
            todo="one object a line; a single large JSON document is not read",
        ) from None
    if not isinstance(head, dict):
        raise LogRefused("the first line is no JSON object", file=path, row=1)
    aside: list[SetAside] = []
    removed: tuple[int, ...] = ()
    try:
        if text.encoding != "utf-8" or text.newline != "\n" or text.bom:
            raise pl.exceptions.ComputeError("needs scrubbing")
        # all lines, not the first ones: a key that first comes late is a column too
        frame = with_exact_decimals(path, flat(_scan(path)))
        target = scratch / f"{path.name}.parquet"
        frame.sink_parquet(target, compression="lz4")
    except pl.exceptions.PolarsError:
        target, aside, removed = _line_by_line(path, text, scratch)
    raw = from_frame(path, "ndjson", pl.scan_parquet(target, glob=False))
    return replace(raw, set_aside=tuple(aside), removed=removed)


def _scan(path: Path) -> pl.LazyFrame:
    """Scan the file of this very name: polars would take brackets and stars for a pattern."""
    return pl.scan_ndjson(glob.escape(str(path)), infer_schema_length=None)


def _line_by_line(
    path: Path, text: Sniff, scratch: Path
) -> tuple[Path, list[SetAside], tuple[int, ...]]:
    bad: list[int] = []
    row = 0
    clean = scratch / f"{path.name}.clean"
    with clean.open("w", encoding="utf-8", newline="\n") as sink:
        for line in lines_of(path, text):
            if not line.strip():
                continue
            row += 1
            try:
                told, odd = _object(line)
            except ValueError:
                bad.append(row)
                continue
            # NaN is no JSON, yet many programs write it: as a word it is a sentinel like others
            sink.write((_in_quotes(line, told) if odd else line) + "\n")
    if len(bad) == row:
        raise LogRefused("no line is a JSON object", file=path)
    # a name of its own for each try: one that failed may still be writing to its own
    target = scratch / f"{path.name}.lines.parquet"
    try:
        with_exact_decimals(clean, flat(_scan(clean))).sink_parquet(target, compression="lz4")
    except pl.exceptions.PolarsError as error:
        worded = scratch / f"{path.name}.words.parquet"
        if _in_words(clean, worded):
            return worded, _told(bad), tuple(bad)
        raise LogRefused(
            f"the objects do not agree on their types: {first_line(error)}", file=path
        ) from None
    return target, _told(bad), tuple(bad)


def _told(bad: list[int]) -> list[SetAside]:
    reason = "no JSON object; the row was set aside"
    return [SetAside("text", reason, tuple(bad[:100]), len(bad))] if bad else []


def _in_words(clean: Path, target: Path) -> bool:
    """Write keys whose values are numbers here and words or switches there as text."""
    kinds: dict[str, set[type]] = {}
    with clean.open(encoding="utf-8") as lines:
        for line in lines:
            for key, value in json.loads(line).items():
                if value is not None:
                    kinds.setdefault(key, set()).add(float if type(value) is int else type(value))
    mixed = {k for k, found in kinds.items() if len(found) > 1 and found <= {float, bool, str}}
    if not mixed:
        return False
    words = clean.with_suffix(".words")
    with clean.open(encoding="utf-8") as lines, words.open("w", encoding="utf-8") as sink:
        for line in lines:
            told = json.loads(line)
            for key in mixed & told.keys():
                value = told[key]
                if value is not None and not isinstance(value, str):
                    told[key] = json.dumps(value)
            sink.write(json.dumps(told) + "\n")
    try:
        flat(_scan(words)).sink_parquet(target, compression="lz4")
    except pl.exceptions.PolarsError:
        return False
    return True


def _in_quotes(line: str, told: dict[str, object]) -> str:
    """Return a line with NaN and infinities as words, its other numbers digit for digit."""
    quoted = _NO_NUMBER.sub(r'"\1"', line)
    try:
        return quoted if json.loads(quoted) == told else json.dumps(told)
    except ValueError:
        return json.dumps(told)


def _object(line: str) -> tuple[dict[str, object], bool]:
    """Return one line's object, and whether NaN or an infinity stood in it, which become words.

    Raises
    ------
    ValueError
        When the line is no JSON object.
    """
    odd = False

    def word(constant: str) -> str:
        nonlocal odd
        odd = True
        return constant

    told = json.loads(line, parse_constant=word)
    if not isinstance(told, dict):
        raise ValueError("no object")
    return told, odd
