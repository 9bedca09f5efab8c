"""Make any text table into plain UTF-8 lines of one width.

Used only where the fast way cannot be trusted: other encodings, CR alone,
comment lines, blanks as delimiters, or rows of the wrong width. What is left
out is told row by row.
"""

from __future__ import annotations

import codecs
import csv
import io
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from replay.logs.readers.dialect import Dialect, split
from replay.logs.readers.raw import SetAside
from replay.logs.readers.sniff import Sniff
from replay.wording import counted

_CHUNK = 1 << 22
_KEPT_ROWS = 100
_CELL_LINES = 20
"""So many lines may one quoted cell have."""


@dataclass(slots=True)
class _Tally:
    count: int = 0
    rows: list[int] = field(default_factory=list)

    def add(self, row: int) -> None:
        self.count += 1
        if len(self.rows) < _KEPT_ROWS:
            self.rows.append(row)


def lines_of(path: Path, text: Sniff) -> Iterator[str]:
    """Yield the lines of a text file without their ends, in bounded memory.

    LF, CR LF and CR alone end a line, also where they change within the file.
    """
    decoder = codecs.getincrementaldecoder(text.encoding)(errors="replace")
    rest = ""
    with path.open("rb") as handle:
        handle.seek(text.bom)
        while chunk := handle.read(_CHUNK):
            block = rest + decoder.decode(chunk)
            tail = "\r" if block.endswith("\r") else ""  # its LF may come with the next chunk
            parts = _line_feeds(block.removesuffix("\r")).split("\n")
            rest = parts.pop() + tail
            yield from parts
    rest = _line_feeds(rest + decoder.decode(b"", final=True)).removesuffix("\n")
    if rest:
        yield from rest.split("\n")


def _line_feeds(text: str) -> str:
    return text.replace("\r\n", "\n").replace("\r", "\n") if "\r" in text else text


def scrub(
    path: Path, text: Sniff, dialect: Dialect, target: Path
) -> tuple[list[SetAside], tuple[int, ...], bool]:
    """Write the good data rows to ``target``; return what was left out.

    Returns
    -------
    list of SetAside, tuple of int, bool
        Reasons with their rows, all left-out data rows (from 1), and whether
        the last row was written.

    Notes
    -----
    A quote that nothing closes belongs to its word. Cells with quotes are
    quoted anew, so that no reader takes what follows for a part of them.
    """
    width = len(dialect.columns)
    delimiter = dialect.delimiter
    out = "\t" if dialect.parted_anew else delimiter
    tallies = {"short-row": _Tally(), "long-row": _Tally(), "nul-bytes": _Tally()}
    tallies["names-again"] = _Tally()
    remarks: list[str] = []
    removed: list[int] = []
    row = 0
    order: list[int] | None = None
    names = tuple(c.lower() for c in dialect.columns)
    with target.open("w", encoding="utf-8", newline="\n") as sink:
        for line in _whole_rows(_data_lines(path, text, dialect, remarks), dialect):
            row += 1
            if "\x00" in line:
                tallies["nul-bytes"].add(row)
                removed.append(row)
                continue
            if dialect.blanks:
                cells = line.split()
                count, line = len(cells), out.join(cells)
            elif '"' in line:
                cells = split(line, delimiter)
                count, line = len(cells), _quoted(cells, out)
            else:
                count = line.count(delimiter) + 1
                line = line if out == delimiter else line.replace(delimiter, out)
            again = _names_again(line, out, names) if count == width else None
            if again is not None:
                order = None if again == list(range(width)) else again
                tallies["names-again"].add(row)
                removed.append(row)
                continue
            if order is not None and count == width:
                cells = split(line, out)
                line = _quoted([cells[k] for k in order], out)
            if count != width:
                tallies["short-row" if count < width else "long-row"].add(row)
                removed.append(row)
                continue
            sink.write(line + "\n")
    what = {
        "short-row": f"fewer than {width} cells",
        "long-row": f"more than {width} cells",
        "nul-bytes": "NUL bytes in the line",
        "names-again": "the names of the columns again, from where on their order holds",
    }
    aside = [
        SetAside(kind, f"{what[kind]}; the row was set aside", tuple(t.rows), t.count)
        for kind, t in tallies.items()
        if t.count
    ]
    aside += remarks_told([*dialect.remarks, *remarks])
    return aside, tuple(removed), not removed or removed[-1] != row


def _names_again(line: str, delimiter: str, names: tuple[str, ...]) -> list[int] | None:
    """Return where each column stands now, if a line names all of them again; else None."""
    if names[0] not in line.lower():
        return None
    cells = [c.strip().strip('"').lower() for c in split(line, delimiter)]
    if sorted(cells) != sorted(names) or len(set(names)) != len(names):
        return None
    return [cells.index(n) for n in names]


def remarks_told(remarks: Sequence[str]) -> list[SetAside]:
    """Say that comment lines were left out, and how the first ones begin."""
    if not remarks:
        return []
    shown = ", ".join(repr(s.strip()[:60]) for s in remarks[:3])
    return [
        SetAside(
            "comment-rows",
            counted(len(remarks), "comment line was", "comment lines were")
            + f" left out of the samples: {shown}"
            + (", ..." if len(remarks) > 3 else ""),
            (),
            len(remarks),
        )
    ]


def _data_lines(path: Path, text: Sniff, dialect: Dialect, remarks: list[str]) -> Iterator[str]:
    for number, line in enumerate(lines_of(path, text)):
        if number < dialect.skip or not line.strip():
            continue
        if dialect.comment and line.startswith(dialect.comment):
            remarks.append(line if len(remarks) < _KEPT_ROWS else "")
            continue
        yield line


def _whole_rows(lines: Iterator[str], dialect: Dialect) -> Iterator[str]:
    """Join lines that one quoted cell spans; a quote that stays open joins nothing."""
    width = len(dialect.columns)
    ahead: deque[str] = deque()
    while True:
        line = ahead.popleft() if ahead else next(lines, None)
        if line is None:
            return
        if dialect.blanks or line.count('"') % 2 == 0:
            yield line
            continue
        joined = line
        for place in range(_CELL_LINES):
            if place == len(ahead):
                following = next(lines, None)
                if following is None:
                    break
                ahead.append(following)
            if len(split(ahead[place], dialect.delimiter)) == width:
                break  # a row of its own: the quote before it was stray
            joined += " " + ahead[place]
            if joined.count('"') % 2 == 0:
                if len(split(joined, dialect.delimiter)) == width:
                    line = joined
                    for _ in range(place + 1):
                        ahead.popleft()
                break
        yield line


def _quoted(cells: list[str], delimiter: str) -> str:
    line = io.StringIO()
    csv.writer(line, delimiter=delimiter, lineterminator="").writerow(cells)
    return line.getvalue()
