"""Tables for a terminal, and the same tables in a file.

A table is never wider than the terminal. Columns of words that would not fit
stand below their row, whole; if what is left is still too wide, each row is
written as a block. Nothing is cut.
"""

from __future__ import annotations

import math
import shutil
import sys
import textwrap
from argparse import ArgumentParser
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import orjson
import polars as pl

from replay.cli.plain import plain
from replay.csv_cells import csv_bytes
from replay.errors import UsageError

GAP = "  "
LEAST_WIDTH = 40
FORMATS = (".csv", ".parquet", ".json")
DIGITS = 4
"""Digits of a figure that mean something to a reader; files keep all of them."""


def add_out(parser: ArgumentParser) -> None:
    """Declare ``--out`` for a command that prints tables."""
    parser.add_argument(
        "--out",
        metavar="FILE",
        help="write the table to .csv, .parquet or .json; of several, each to FILE-NAME",
    )


def width() -> int:
    """Return how many columns the terminal has; 80 where nobody says."""
    return max(shutil.get_terminal_size((80, 24)).columns, LEAST_WIDTH)


def print_table(frame: pl.DataFrame) -> None:
    """Print a frame for reading, no line of it wider than the terminal."""
    sys.stdout.write(table_text(frame, width()) + "\n")


def table_text(frame: pl.DataFrame, columns: int) -> str:
    """Return a frame as text of at most ``columns`` characters a line.

    >>> print(table_text(pl.DataFrame({"joint": ["J1"], "drag": [0.123456]}), 80))
    joint    drag
    J1     0.1235
    """
    cells = {name: [shown(v) for v in frame[name].to_list()] for name in frame.columns}
    wide = {n: max([len(n), *(len(t) for t in cells[n])]) for n in cells}
    wordy = sorted(
        (n for n in cells if frame[n].dtype == pl.String), key=lambda n: wide[n], reverse=True
    )
    below: list[str] = []
    while _line_width(wide, below) > columns and wordy and len(below) + 1 < len(wide):
        below.append(wordy.pop(0))
    if _line_width(wide, below) > columns:
        return _blocks(cells, columns)
    below = [n for n in cells if n in below]  # in the table's own order
    across = [n for n in cells if n not in below]
    right = {n for n in across if frame[n].dtype.is_numeric()}

    def line(texts: Mapping[str, str]) -> str:
        parts = (texts[n].rjust(wide[n]) if n in right else texts[n].ljust(wide[n]) for n in across)
        return GAP.join(parts).rstrip()

    lines = [line({n: n for n in across})]
    for row in range(frame.height):
        lines.append(line({n: cells[n][row] for n in across}))
        for name in below:
            lines += _wrapped(name, cells[name][row], columns)
    return "\n".join(lines)


def _line_width(wide: Mapping[str, int], below: list[str]) -> int:
    across = [w for n, w in wide.items() if n not in below]
    return sum(across) + len(GAP) * max(len(across) - 1, 0)


def _wrapped(name: str, text: str, columns: int) -> list[str]:
    if not text:
        return []
    return textwrap.wrap(
        f"{name}: {text}", columns, initial_indent="    ", subsequent_indent="      ",
        break_on_hyphens=False,
    )  # fmt: skip


def _blocks(cells: Mapping[str, list[str]], columns: int) -> str:
    count = len(next(iter(cells.values()), []))
    lines: list[str] = []
    for row in range(count):
        if row:
            lines.append("")
        for name in cells:
            found = _wrapped(name, cells[name][row], columns)
            lines += [text[4:] for text in found]
    return "\n".join(lines)


def shown(value: Any) -> str:
    """Return a value as a table shows it; nothing for what is not there.

    >>> shown(23.534), shown(12345.678), shown(0.0), shown(None)
    ('23.53', '12346', '0', '')
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return _figure(value)
    if isinstance(value, datetime):
        text = (value.astimezone(UTC) if value.tzinfo else value).isoformat(timespec="milliseconds")
        return text.replace("+00:00", "Z")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, list | tuple):
        return ", ".join(shown(v) for v in value)
    return str(value)


def _figure(value: float) -> str:
    if not math.isfinite(value):
        return "" if math.isnan(value) else f"{value:g}"
    if abs(value) >= 10**DIGITS:
        return f"{value:.0f}"
    return f"{value:.{DIGITS}g}"


def write_tables(tables: Mapping[str, pl.DataFrame], out: str) -> list[Path]:
    """Write tables to a file whose ending says the format; return what was written.

    One table goes to ``out``; of several each to ``out`` with its name before
    the ending. JSON holds all of them in one document.

    Raises
    ------
    UsageError
        An unknown ending, or no such folder.
    """
    path = checked_out(out)
    if path.suffix == ".json":
        path.write_bytes(orjson.dumps(plain(dict(tables)), option=orjson.OPT_INDENT_2) + b"\n")
        return [path]
    written = []
    for name, frame in tables.items():
        to = path if len(tables) == 1 else path.with_name(f"{path.stem}-{name}{path.suffix}")
        if path.suffix == ".csv":
            to.write_bytes(csv_bytes(flat(frame), datetime_format="%Y-%m-%dT%H:%M:%S%.fZ"))
        else:
            frame.write_parquet(to)
        written.append(to)
    return written


def checked_out(out: str, formats: Sequence[str] = FORMATS, option: str = "--out") -> Path:
    """Return the path of an option; UsageError before any work is done for nothing."""
    path = Path(out)
    if path.suffix not in formats:
        raise UsageError(
            f"{option}: no such format {path.suffix!r}",
            todo=f"end it in {', '.join(formats[:-1])} or {formats[-1]}",
        )
    if not path.parent.is_dir():
        raise UsageError(f"{option} {out}: there is no folder {path.parent}")
    return path


def flat(frame: pl.DataFrame) -> pl.DataFrame:
    """Return a frame whose lists are words: a CSV cell holds no list."""
    nested = [n for n, kind in frame.schema.items() if kind.is_nested()]
    return frame.with_columns(
        pl.col(n).map_elements(lambda v: shown(list(v)), pl.String) for n in nested
    )
