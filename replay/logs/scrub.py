"""Make any text table into plain UTF-8 lines of one width.

Used only where the fast way cannot be trusted: other encodings, CR alone,
comment lines, blanks as delimiters, or rows of the wrong width. What is left
out is told row by row.
"""

from __future__ import annotations

import codecs
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from replay.logs.dialect import Dialect, split
from replay.logs.raw import SetAside
from replay.logs.sniff import Sniff

_CHUNK = 1 << 22
_KEPT_ROWS = 100


@dataclass(slots=True)
class _Tally:
    count: int = 0
    rows: list[int] = field(default_factory=list)

    def add(self, row: int) -> None:
        self.count += 1
        if len(self.rows) < _KEPT_ROWS:
            self.rows.append(row)


def lines_of(path: Path, text: Sniff) -> Iterator[str]:
    """Yield the lines of a text file without their ends, in bounded memory."""
    decoder = codecs.getincrementaldecoder(text.encoding)(errors="replace")
    end = text.newline
    rest = ""
    with path.open("rb") as handle:
        handle.seek(text.bom)
        while chunk := handle.read(_CHUNK):
            parts = (rest + decoder.decode(chunk)).split(end)
            rest = parts.pop()
            for line in parts:
                yield line.removesuffix("\r")
    rest += decoder.decode(b"", final=True)
    if rest:
        yield rest.removesuffix("\r")


def scrub(
    path: Path, text: Sniff, dialect: Dialect, target: Path
) -> tuple[list[SetAside], tuple[int, ...]]:
    """Write the good data rows to ``target``; return what was left out.

    Returns
    -------
    list of SetAside, tuple of int
        Reasons with their rows, and all left-out data rows (from 1).
    """
    width = len(dialect.columns)
    delimiter = dialect.delimiter
    out = "\t" if dialect.blanks else delimiter
    tallies = {"short-row": _Tally(), "long-row": _Tally(), "nul-bytes": _Tally()}
    removed: list[int] = []
    row = 0
    with target.open("w", encoding="utf-8", newline="\n") as sink:
        for number, line in enumerate(lines_of(path, text)):
            if number < dialect.skip or not line.strip():
                continue
            if dialect.comment and line.startswith(dialect.comment):
                continue
            row += 1
            if "\x00" in line:
                tallies["nul-bytes"].add(row)
                removed.append(row)
                continue
            if dialect.blanks:
                cells = line.split()
                count, line = len(cells), out.join(cells)
            elif '"' in line:
                count = len(split(line, delimiter))
            else:
                count = line.count(delimiter) + 1
            if count != width:
                tallies["short-row" if count < width else "long-row"].add(row)
                removed.append(row)
                continue
            sink.write(line + "\n")
    what = {
        "short-row": f"fewer than {width} cells",
        "long-row": f"more than {width} cells",
        "nul-bytes": "NUL bytes in the line",
    }
    aside = [
        SetAside(kind, f"{what[kind]}; the row was set aside", tuple(t.rows), t.count)
        for kind, t in tallies.items()
        if t.count
    ]
    return aside, tuple(removed)
