"""How a text table is laid out: delimiter, decimal sign, header, unit row.

Decided on the first lines of the file, by what makes the lines agree.

Longer than 245 lines because delimiter, decimal sign and header are decided together on the
same lines.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from replay.errors import LogRefused
from replay.logs import scales

DELIMITERS = (",", ";", "\t", "|")
COMMENTS = ("#", "%", "//", "!")
MAX_COLUMNS = 4096

_NO_DELIMITER = frozenset(" \t.+-_:\"'/\\()[]{}%#*$?!=<>,;|\r\n")
"""Signs that part cells only where one of `DELIMITERS` says so, or that stand inside cells."""

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$")
_NUMBER_COMMA = re.compile(r"[+-]?\d*,\d+([eE][+-]?\d+)?$")
_NO_VALUE = {"", "nan", "null", "none", "n/a", "na", "-", "inf", "-inf", "err", "error"}


@dataclass(frozen=True, slots=True)
class Dialect:
    """Layout of a text table. ``skip`` lines stand before the first data row."""

    delimiter: str
    decimal_comma: bool
    columns: tuple[str, ...]
    skip: int
    units: dict[str, str]
    comment: str | None = None
    blanks: bool = False
    """Columns are parted by runs of blanks; scrubbing makes them tabs."""
    titles: tuple[str, ...] = ()
    """Lines above the names that belong to no column."""
    headless: bool = False
    remarks: tuple[str, ...] = ()
    """Comment lines above the data."""

    @property
    def parted_anew(self) -> bool:
        """Whether scrubbing parts the columns by tabs, so that one sign has one meaning."""
        return self.blanks or (self.decimal_comma and self.delimiter == ",")


def find_dialect(lines: Sequence[str], file: object) -> Dialect:
    """Decide the layout from the file's first lines (line ends removed)."""
    lines = [s.replace("\x00", "") for s in lines]
    comment = next((c for c in COMMENTS for s in lines[:50] if s.startswith(c)), None)
    solid = [
        (i, s) for i, s in enumerate(lines) if s.strip() and not (comment and s.startswith(comment))
    ]
    if not solid:
        raise LogRefused("no line holds data", file=file)
    delimiter, blanks = _delimiter([s for _, s in solid])
    rows = [(i, split(s, delimiter, blanks)) for i, s in solid]
    body = Counter(len(c) for _, c in rows[-max(len(rows) // 2, 1) :])
    width = max(body, key=lambda n: (body[n], n))
    if width > MAX_COLUMNS:
        raise LogRefused(
            f"{width} columns; a log here has at most {MAX_COLUMNS}",
            file=file,
            todo="export the joints' channels only",
        )
    first = next(k for k, (_, cells) in enumerate(rows) if len(cells) == width)
    decimal_comma = _decimal_comma(rows[first + 1 :])
    named, data = _names_row(rows, first, width, decimal_comma)
    if named is not None:
        place, header = rows[named]
        skip = place + 1
    elif _ends_late(rows, first, width, decimal_comma):
        place, header = rows[first - 1][0], [*rows[first - 1][1], ""]
        skip = place + 1
    else:
        place = skip = rows[data][0]
        header = _commented_header(lines, place, comment, delimiter, blanks, width)
    units: dict[str, str] = {}
    names = _unique(header)
    after = [r for r in rows if r[0] >= skip]
    if after and _is_unit_row(after[0][1], decimal_comma):
        units = {
            n: u.strip().strip("[]()")
            for n, u in zip(names, after[0][1], strict=False)
            if u.strip().strip("[]()- ")
        }
        skip = after[0][0] + 1
    titles = tuple(s.strip() for i, s in solid if i < place and i < skip)
    remarks = tuple(s for s in lines[:skip] if comment and s.startswith(comment))
    headless = names == tuple(f"column_{n}" for n in range(1, width + 1))
    return Dialect(
        delimiter, decimal_comma, names, skip, units, comment, blanks, titles, headless, remarks
    )


def split(line: str, delimiter: str, blanks: bool = False) -> list[str]:
    """Cut one line into its cells, quotes removed."""
    if blanks:
        return line.split()
    if '"' not in line:
        return line.split(delimiter)
    try:
        return next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:  # a cell larger than any of a log
        return line.split(delimiter)


def is_number(cell: str, decimal_comma: bool) -> bool:
    """Tell whether a cell is a number in this dialect."""
    text = cell.strip()
    if decimal_comma:
        text = text.replace(",", ".", 1)
    return _NUMBER.match(text) is not None


def _delimiter(lines: Sequence[str]) -> tuple[str, bool]:
    best, score = "", 0.0
    tail = lines[-max(len(lines) // 2, 1) :]
    for candidate in DELIMITERS:
        counts = Counter(len(split(s, candidate)) for s in tail)
        width, times = max(counts.items(), key=lambda c: (c[1], c[0]))
        if width < 2:
            continue
        agreement = times / len(tail)
        # a decimal comma also parts every line alike: the true delimiter then
        # parts it into fewer cells that are whole numbers or words
        whole = _share_sensible(tail, candidate)
        value = agreement * (1.0 + whole) + 0.0001 * min(width, 50)
        if value > score:
            best, score = candidate, value
    if best:
        return best, False
    other = _other_delimiter(tail)
    if other is not None:
        return other, False
    widths = Counter(len(s.split()) for s in tail)
    width = max(widths, key=lambda w: (widths[w], w))
    if width >= 2:
        return " ", True
    return ",", False


def _other_delimiter(lines: Sequence[str]) -> str | None:
    """Return a sign that stands equally often in all lines, with numbers between."""
    last = lines[-2:][0]
    for sign in dict.fromkeys(last):
        if sign.isalnum() or not sign.isascii() or sign in _NO_DELIMITER:
            continue
        if len({s.count(sign) for s in lines}) != 1:
            continue
        cells = last.split(sign)
        if 2 * sum(is_number(c, "," in c) for c in cells) >= len(cells):
            return sign
    return None


def _names_row(
    rows: Sequence[tuple[int, list[str]]], first: int, width: int, decimal_comma: bool
) -> tuple[int | None, int]:
    """Return which row names the columns, if one does, and which is the first with data.

    Names fill a row; titles that a spreadsheet filled up with delimiters do not.
    """
    best, most = None, 0
    for k, (_, cells) in enumerate(rows[first:], first):
        if len(cells) != width:
            continue
        filled = [c for c in cells if c.strip()]
        if any(is_number(c, decimal_comma) for c in filled):
            if 2 * len(filled) >= width:
                return best, k
        elif len(filled) > most:
            # below names, a row may be of units, or begin with a time before error words
            if most and (_is_unit_row(cells, decimal_comma) or filled[0].strip()[0].isdigit()):
                continue
            best, most = k, len(filled)
    return best, first


def _ends_late(
    rows: Sequence[tuple[int, list[str]]], first: int, width: int, decimal_comma: bool
) -> bool:
    """Tell whether all rows but that of the names end in a delimiter."""
    if not first or len(rows[first - 1][1]) != width - 1:
        return False
    if any(c[-1].strip() for _, c in rows[first:] if len(c) == width):
        return False
    return all(c.strip() and not is_number(c, decimal_comma) for c in rows[first - 1][1])


def _share_sensible(lines: Sequence[str], delimiter: str) -> float:
    cells = [c.strip() for s in lines[:50] for c in split(s, delimiter)]
    good = sum(
        1
        for c in cells
        if _NUMBER.match(c)
        or (delimiter != "," and _NUMBER_COMMA.match(c))
        or c.lower() in _NO_VALUE
        or not any(d in c for d in DELIMITERS)
    )
    return good / max(len(cells), 1)


def _decimal_comma(rows: Sequence[tuple[int, list[str]]]) -> bool:
    texts = [cell.strip() for _, cells in rows for cell in cells]
    comma = sum("," in text and _NUMBER_COMMA.match(text) is not None for text in texts)
    if not comma:
        return False
    point = sum("." in text and _NUMBER.match(text) is not None for text in texts)
    return comma > point


def _is_unit_row(cells: Sequence[str], decimal_comma: bool) -> bool:
    filled = [c.strip() for c in cells if c.strip()]
    if not filled or any(is_number(c, decimal_comma) for c in filled):
        return False
    known = sum(
        1
        for c in filled
        if scales.find(c.strip("[]()")) is not None
        or c.strip("[]() ").lower() in {"s", "sec", "ms", "us", "ns", "utc", "iso", "-", "bool", ""}
        or (c[0] in "[(" and c[-1] in "])")
    )
    return known >= 0.5 * len(filled)


def _commented_header(
    lines: Sequence[str],
    place: int,
    comment: str | None,
    delimiter: str,
    blanks: bool,
    width: int,
) -> list[str]:
    """Return the names from the last comment line of the right width, else numbers."""
    if comment:
        for line in reversed(lines[:place]):
            if line.startswith(comment):
                cells = split(line[len(comment) :].strip(), delimiter, blanks)
                if len(cells) == width and not any(is_number(c, False) for c in cells):
                    return cells
    return [f"column_{n}" for n in range(1, width + 1)]


def _unique(names: Sequence[str]) -> tuple[str, ...]:
    """Make names different and not empty; the map speaks of these."""
    seen: dict[str, int] = {}
    result: list[str] = []
    for place, name in enumerate(names, 1):
        text = name.lstrip("\ufeff").strip().strip('"').strip() or f"column_{place}"
        count = seen.get(text, 0)
        seen[text] = count + 1
        result.append(text if count == 0 else f"{text}#{count + 1}")
    return tuple(result)
