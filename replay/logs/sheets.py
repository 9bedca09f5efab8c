"""XLSX workbooks: the first sheet that looks like a table."""

from __future__ import annotations

import zipfile
from pathlib import Path

import polars as pl

from replay.errors import LogRefused
from replay.logs import scales
from replay.logs.columnar import from_frame
from replay.logs.dialect import is_number
from replay.logs.raw import RawLog, SetAside

MAX_UNPACKED_BYTES = 1 << 31
MAX_RATIO = 200
_LOOK_ROWS = 60


def read_sheet(path: Path) -> RawLog:
    """Read a workbook's first sheet with rows in it.

    Cells keep the types that the workbook gives them; a column of mixed
    types comes as text.
    """
    _check_archive(path)
    import fastexcel

    try:
        book = fastexcel.read_excel(path)
        for name in book.sheet_names:
            top: pl.DataFrame = book.load_sheet(
                name, header_row=None, skip_rows=0, n_rows=_LOOK_ROWS, dtypes="string"
            ).to_polars()
            header, titles = _header(top)
            sheet = book.load_sheet(name, header_row=header, schema_sample_rows=None)
            if sheet.height:
                frame: pl.DataFrame = sheet.to_polars()
                break
        else:
            raise LogRefused("the workbook has no sheet with rows", file=path)
    except fastexcel.FastExcelError as error:
        raise LogRefused(
            f"not a whole workbook: {str(error).splitlines()[0][:200]}", file=path
        ) from None
    frame, units = _unit_row(frame)
    raw = from_frame(path, "xlsx", frame.lazy())
    raw.units = units
    if titles:
        words = ", ".join(repr(t) for t in titles[:3]) + (", ..." if len(titles) > 3 else "")
        raw.set_aside.append(
            SetAside(
                "title-rows",
                f"{header} rows of the sheet stand above the one that names the columns, and were "
                f"left out: {words}",
                (),
                header,
            )
        )
    return raw


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
