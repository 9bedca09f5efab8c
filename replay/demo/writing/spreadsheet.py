"""A small XLSX writer: one sheet, numbers, words, truths and instants.

Enough for a log as an office would export it, and the same bytes each time,
which the usual writers do not promise (they stamp the date of writing).
"""

from __future__ import annotations

import zipfile
from datetime import UTC, datetime
from pathlib import Path
from xml.sax.saxutils import escape

import polars as pl

_EPOCH = datetime(1899, 12, 30, tzinfo=UTC)
_DAY_NS = 86_400_000_000_000
_PARTS = {
    "[Content_Types].xml": (
        '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
        '<Default Extension="rels" ContentType='
        '"application/vnd.openxmlformats-package.relationships+xml"/>'
        '<Default Extension="xml" ContentType="application/xml"/>'
        '<Override PartName="/xl/workbook.xml" ContentType='
        '"application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/>'
        '<Override PartName="/xl/styles.xml" ContentType='
        '"application/vnd.openxmlformats-officedocument.spreadsheetml.styles+xml"/>'
        '<Override PartName="/xl/worksheets/sheet1.xml" ContentType='
        '"application/vnd.openxmlformats-officedocument.spreadsheetml.worksheet+xml"/>'
        "</Types>"
    ),
    "_rels/.rels": (
        '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
        '<Relationship Id="rId1" Type="http://schemas.openxmlformats.org/officeDocument/2006/'
        'relationships/officeDocument" Target="xl/workbook.xml"/></Relationships>'
    ),
    "xl/workbook.xml": (
        '<workbook xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main" '
        'xmlns:r="http://schemas.openxmlformats.org/officeDocument/2006/relationships">'
        '<sheets><sheet name="log" sheetId="1" r:id="rId1"/></sheets></workbook>'
    ),
    "xl/_rels/workbook.xml.rels": (
        '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
        '<Relationship Id="rId1" Type="http://schemas.openxmlformats.org/officeDocument/2006/'
        'relationships/worksheet" Target="worksheets/sheet1.xml"/>'
        '<Relationship Id="rId2" Type="http://schemas.openxmlformats.org/officeDocument/2006/'
        'relationships/styles" Target="styles.xml"/></Relationships>'
    ),
    "xl/styles.xml": (
        '<styleSheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
        '<numFmts count="1"><numFmt numFmtId="164" formatCode="yyyy\\-mm\\-dd\\ hh:mm:ss.000"/>'
        "</numFmts><fonts count='1'><font/></fonts>"
        "<fills count='2'><fill/><fill/></fills><borders count='1'><border/></borders>"
        "<cellStyleXfs count='1'><xf/></cellStyleXfs><cellXfs count='2'><xf/>"
        '<xf numFmtId="164" applyNumberFormat="1"/></cellXfs></styleSheet>'
    ),
}
_HEAD = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'


def write_sheet(frame: pl.DataFrame, path: Path) -> None:
    """Write a frame as the only sheet of an XLSX file."""
    cells = [_cells(frame[name], _letters(k)) for k, name in enumerate(frame.columns)]
    header = "".join(_word(f"{_letters(k)}1", name) for k, name in enumerate(frame.columns))
    rows = [f'<row r="1">{header}</row>']
    rows += [
        f'<row r="{r}">{"".join(row)}</row>'
        for r, row in enumerate(zip(*cells, strict=True), start=2)
    ]
    sheet = (
        '<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
        f"<sheetData>{''.join(rows)}</sheetData></worksheet>"
    )
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as book:
        for name, text in {**_PARTS, "xl/worksheets/sheet1.xml": sheet}.items():
            # A fixed date: the same table is the same file.
            book.writestr(zipfile.ZipInfo(name, (2031, 1, 1, 0, 0, 0)), _HEAD + text, 8, 6)


def _cells(column: pl.Series, letters: str) -> list[str]:
    values = column.to_list()
    if column.dtype == pl.Boolean:
        return [
            "" if v is None else f'<c r="{letters}{r}" t="b"><v>{int(v)}</v></c>'
            for r, v in enumerate(values, start=2)
        ]
    if isinstance(column.dtype, pl.Datetime):
        zero = int(_EPOCH.timestamp()) * 1_000_000_000
        days = [(v - zero) / _DAY_NS for v in column.dt.cast_time_unit("ns").to_physical()]
        return [f'<c r="{letters}{r}" s="1"><v>{v!r}</v></c>' for r, v in enumerate(days, 2)]
    if column.dtype.is_numeric():
        return [
            "" if v is None else f'<c r="{letters}{r}"><v>{v!r}</v></c>'
            for r, v in enumerate(values, start=2)
        ]
    return ["" if v is None else _word(f"{letters}{r}", str(v)) for r, v in enumerate(values, 2)]


def _word(at: str, text: str) -> str:
    return f'<c r="{at}" t="inlineStr"><is><t>{escape(text)}</t></is></c>'


def _letters(k: int) -> str:
    out = ""
    k += 1
    while k:
        k, rest = divmod(k - 1, 26)
        out = chr(65 + rest) + out
    return out
