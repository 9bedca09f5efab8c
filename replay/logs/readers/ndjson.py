"""NDJSON: one JSON object a line. Nested objects become dotted columns."""

from __future__ import annotations

import glob
import json
from itertools import islice
from pathlib import Path

import polars as pl

from replay.errors import LogRefused
from replay.logs.readers.columnar import from_frame
from replay.logs.readers.nested import flat
from replay.logs.readers.raw import RawLog, SetAside
from replay.logs.readers.scrub import lines_of
from replay.logs.readers.sniff import Sniff

_MOST_BLANK = 1000
"""So many lines may be blank before the first object."""


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
        frame = flat(_scan(path))
        target = scratch / f"{path.name}.parquet"
        frame.sink_parquet(target, compression="lz4")
    except pl.exceptions.PolarsError:
        target, aside, removed = _line_by_line(path, text, scratch)
    raw = from_frame(path, "ndjson", pl.scan_parquet(target, glob=False))
    raw.set_aside, raw.removed = aside, removed
    return raw


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
            sink.write((json.dumps(told) if odd else line) + "\n")
    if len(bad) == row:
        raise LogRefused("no line is a JSON object", file=path)
    target = scratch / f"{path.name}.parquet"
    try:
        flat(_scan(clean)).sink_parquet(target, compression="lz4")
    except pl.exceptions.PolarsError as error:
        raise LogRefused(
            f"the objects do not agree on their types: {str(error).splitlines()[0]}", file=path
        ) from None
    aside = [SetAside("text", "no JSON object; the row was set aside", tuple(bad[:100]), len(bad))]
    return target, aside if bad else [], tuple(bad)


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
