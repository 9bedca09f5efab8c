"""XLSX workbooks: the largest sheet, and those that go on where it ends."""

from __future__ import annotations

import zipfile
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import polars as pl

from replay.errors import LogRefused, first_line
from replay.logs import scales
from replay.logs.readers.columnar import from_frame
from replay.logs.readers.dialect import is_number
from replay.logs.readers.raw import RawLog, SetAside
from replay.wording import counted

MAX_UNPACKED_BYTES = 1 << 31
MAX_RATIO = 200
_LOOK_ROWS = 60


@dataclass(frozen=True, slots=True)
class _Sheet:
    name: str
    frame: pl.DataFrame
    units: dict[str, str]
    titles: list[str]
    header: int


def read_sheet(path: Path) -> RawLog:
    """Read a workbook's largest sheet, and those that go on where it ends.

    Cells keep the types that the workbook gives them; a column of mixed
    types comes as text. Sheets that were left out are told.
    """
    _check_archive(path)
    import fastexcel

    try:
        book = fastexcel.read_excel(path)
        sheets = [s for s in (_load(book, name) for name in book.sheet_names) if s.frame.height]
    except fastexcel.FastExcelError as error:
        raise LogRefused(f"not a whole workbook: {first_line(error)}", file=path) from None
    if not sheets:
        raise LogRefused("the workbook has no sheet with rows", file=path)
    main = max(sheets, key=lambda s: s.frame.height * s.frame.width)
    joined = _that_follow(sheets, main)
    frame = main.frame if len(joined) == 1 else _one_below_another([s.frame for s in joined])
    raw = from_frame(path, "xlsx", frame.lazy())
    told = [one for s in joined for one in _titles_told(s)]
    if len(joined) > 1:
        names = ", ".join(repr(s.name) for s in joined)
        told.append(
            SetAside(
                "joined-sheets",
                f"sheets {names} have the same columns and follow each other: read as one table",
                (),
                len(joined),
            )
        )
    told += [_left_out(s, main) for s in sheets if s not in joined]
    units = {name.strip(): unit for name, unit in main.units.items()}
    return replace(raw, units=units, set_aside=tuple(told))


def _load(book: Any, name: str) -> _Sheet:
    top: pl.DataFrame = book.load_sheet(
        name, header_row=None, skip_rows=0, n_rows=_LOOK_ROWS, dtypes="string"
    ).to_polars()
    header, titles = _header(top)
    frame: pl.DataFrame = book.load_sheet(
        name, header_row=header, schema_sample_rows=None
    ).to_polars()
    units: dict[str, str] = {}
    if frame.height:
        frame, units = _unit_row(frame)
    return _Sheet(name, frame, units, titles, header)


def _that_follow(sheets: list[_Sheet], main: _Sheet) -> list[_Sheet]:
    """Return the sheets of the main one's columns, if the first column rises from one to the next.

    Sheets of one form that do not follow each other are another arm's or
    joint's: which of them is meant is not guessed.
    """
    alike = [s for s in sheets if s.frame.columns == main.frame.columns]
    edges = [s.frame.to_series(0).drop_nulls() for s in alike]
    if len({e.dtype for e in edges}) != 1 or not all(len(e) for e in edges):
        return [main]
    follow = all(bool(a[-1] < b[0]) for a, b in pairwise(edges))
    return alike if follow else [main]


def _one_below_another(frames: list[pl.DataFrame]) -> pl.DataFrame:
    mixed = [c for c in frames[0].columns if len({f.schema[c] for f in frames}) > 1]
    return pl.concat(
        [f.with_columns(pl.col(c).cast(pl.String) for c in mixed) if mixed else f for f in frames]
    )


def _left_out(sheet: _Sheet, main: _Sheet) -> SetAside:
    columns = ", ".join(repr(c) for c in sheet.frame.columns[:4])
    why = (
        f"it has the columns of {main.name!r} and does not go on where that ends"
        if sheet.frame.columns == main.frame.columns
        else f"{main.name!r} is larger, and this one has other columns: {columns}"
    )
    return SetAside(
        "left-out-sheet",
        f"sheet {sheet.name!r}, {counted(sheet.frame.height, 'row')}, was left out: {why}; "
        "as a file of its own it can be taken in beside it",
        (),
        sheet.frame.height,
    )


def _titles_told(sheet: _Sheet) -> list[SetAside]:
    titles, header = sheet.titles, sheet.header
    if not titles:
        return []
    words = ", ".join(repr(t) for t in titles[:3]) + (", ..." if len(titles) > 3 else "")
    return [
        SetAside(
            "title-rows",
            counted(header, "row of the sheet stands", "rows of the sheet stand")
            + f" above the one that names the columns, left out of the samples: {words}",
            (),
            header,
        )
    ]


def _header(top: pl.DataFrame) -> tuple[int, list[str]]:
    """Return the row that names the columns, from 0, and what stands above it.

    It is the fullest row of words above the first row that is mostly numbers; where no row
    of words is fuller than the others, the first of them. A sheet without one
    is taken to begin with its names.
    """
    best, most, above = 0, 1, []
    words: list[str] = []
    rows = [[c for c in row if c is not None and c.strip()] for row in top.iter_rows()]
    width = max((len(r) for r in rows), default=0)
    for place, cells in enumerate(rows):
        numbers = sum(c.strip()[0].isdigit() or is_number(c, False) for c in cells)
        if 2 * numbers > len(cells) and 2 * len(cells) >= width:
            break
        if not numbers and len(cells) > most:
            best, most, above = place, len(cells), list(words)
        words += cells
    return best, above


def _check_archive(path: Path) -> None:
    try:
        with zipfile.ZipFile(path) as book:
            infos = book.infolist()
            unpacked = sum(i.file_size for i in infos)
            packed = max(sum(i.compress_size for i in infos), 1)
            names = {i.filename for i in infos}
    except (zipfile.BadZipFile, OSError) as error:
        raise LogRefused(f"not a whole workbook: {error}", file=path) from None
    if "xl/workbook.xml" not in names:
        raise LogRefused(
            "a zip archive that is no workbook", file=path, todo="unpack it and ingest the folder"
        )
    if unpacked > MAX_UNPACKED_BYTES or unpacked > MAX_RATIO * packed + (1 << 24):
        raise LogRefused(f"would unpack {packed} bytes to {unpacked}", file=path)


def _unit_row(frame: pl.DataFrame) -> tuple[pl.DataFrame, dict[str, str]]:
    first = {c: v for c, v in zip(frame.columns, frame.row(0), strict=True) if v is not None}
    texts = [v for v in first.values() if isinstance(v, str)]
    known = [v for v in texts if scales.find(v.strip("[]() ")) is not None]
    if len(texts) < len(first) or len(known) * 2 < len(texts) or not known:
        return frame, {}
    rest = frame.slice(1)
    typed = []
    for c in rest.columns:
        column = rest[c]
        if column.dtype == pl.String:
            numbers = column.cast(pl.Float64, strict=False)
            column = numbers if numbers.null_count() == column.null_count() else column
        typed.append(column)
    return pl.DataFrame(typed), {c: str(v).strip("[]() ") for c, v in first.items()}
