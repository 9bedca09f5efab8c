"""Files that hold more than one table, or tables whose shape changes on the way."""

from __future__ import annotations

import gzip
import io
import json
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest
import xlsxwriter

from tests.cleaning.logs import MAP, notes, only, samples, table, take

ROWS = table().to_dicts()


def _ndjson(folder: Path, rows: list[dict[str, Any]]) -> Path:
    log = folder / "log.ndjson"
    log.write_text("".join(json.dumps(r) + "\n" for r in rows))
    return log


def test_a_key_that_first_comes_late(tmp_path: Path) -> None:
    rows = table(4000).to_dicts()
    for row in rows[:3000]:
        del row["i2"]
    archive, result = take(tmp_path, _ndjson(tmp_path, rows))
    current = samples(archive, only(result))["J2.current_a"]
    assert current.null_count() == 3000
    assert current.drop_nulls().to_list() == table(4000)["i2"][3000:].to_list()


@pytest.mark.parametrize("word", [float("nan"), float("inf")])
def test_json_with_nan_in_it(tmp_path: Path, word: float) -> None:
    rows = [{**r, "i1": word if n % 8 == 3 else r["i1"]} for n, r in enumerate(ROWS)]
    session = only(take(tmp_path, _ndjson(tmp_path, rows))[1])
    assert session.rows == 400
    (note,) = notes(session, "sentinel")
    assert (note.channel, note.count) == ("J1.current_a", 50)


def test_blank_lines_before_the_first_object(tmp_path: Path) -> None:
    log = _ndjson(tmp_path, ROWS)
    log.write_text("\n \n" + log.read_text())
    assert only(take(tmp_path, log)[1]).rows == 400


def _workbook(path: Path, sheets: dict[str, list[list[Any]]]) -> Path:
    book = xlsxwriter.Workbook(str(path), {"default_date_format": "yyyy-mm-dd hh:mm:ss.000"})
    for name, rows in sheets.items():
        sheet = book.add_worksheet(name)
        for y, row in enumerate(rows):
            sheet.write_row(y, 0, row)
    book.close()
    return path


def _cells() -> tuple[list[Any], list[list[Any]]]:
    start = datetime(2031, 3, 1)
    rows = [
        [start + timedelta(milliseconds=100 * k), *row[1:]] for k, row in enumerate(table().rows())
    ]
    return list(table().columns), rows


COVER = [["Log of the yard"], ["made by", "the recorder"], ["sheets", "2"]]


def test_a_cover_sheet_before_the_samples(tmp_path: Path) -> None:
    names, rows = _cells()
    log = _workbook(tmp_path / "log.xlsx", {"Cover": COVER, "Data": [names, *rows]})
    session = only(take(tmp_path, log)[1])
    assert session.rows == 400
    (note,) = notes(session, "left-out-sheet")
    assert "'Cover'" in note.detail


def test_sheets_of_one_form_follow_each_other(tmp_path: Path) -> None:
    names, rows = _cells()
    halves = {"Part 1": [names, *rows[:150]], "Part 2": [names, *rows[150:]]}
    archive, result = take(tmp_path, _workbook(tmp_path / "log.xlsx", halves))
    session = only(result)
    assert samples(archive, session)["J1.angle_deg"].to_list() == table()["a1"].to_list()
    assert "'Part 1', 'Part 2'" in notes(session, "joined-sheets")[0].detail


def test_a_sheet_of_other_columns_is_told_by_its_size(tmp_path: Path) -> None:
    names, rows = _cells()
    more = [["t", "force"], *[[r[0], 1.0] for r in rows]]
    log = _workbook(tmp_path / "log.xlsx", {"Data": [names, *rows], "Force": more})
    (note,) = notes(only(take(tmp_path, log)[1]), "left-out-sheet")
    assert "400 rows" in note.detail
    assert "'Force'" in note.detail


def test_a_missing_column_names_the_sheets_that_were_left_out(tmp_path: Path) -> None:
    names, rows = _cells()
    one = [[names[0], names[1], names[3]], *[[r[0], r[1], r[3]] for r in rows]]
    two = [[names[0], names[2], names[4]], *[[r[0], r[2], r[4]] for r in rows]]
    log = _workbook(tmp_path / "log.xlsx", {"Left": one, "Right": two})
    result = take(tmp_path, log)[1]
    assert not result.sessions
    assert "'Right'" in result.refused[0].reason


@pytest.mark.parametrize("ended", [True, False])
def test_an_arrow_stream_without_its_end_is_told(tmp_path: Path, ended: bool) -> None:
    frame = table().to_arrow()
    sink = io.BytesIO()
    writer = pa.ipc.new_stream(sink, frame.schema)
    for begin in range(0, 400, 50):
        writer.write_table(frame.slice(begin, 50))
    written = sink.tell()
    writer.close()
    log = tmp_path / "log.arrows"
    log.write_bytes(sink.getvalue() if ended else sink.getvalue()[:written])
    session = only(take(tmp_path, log, log_map=MAP)[1])
    assert session.rows == 400
    assert bool(notes(session, "no-end-mark")) != ended


def test_a_log_packed_twice_under_one_ending(tmp_path: Path) -> None:
    log = tmp_path / "log.csv.gz"
    log.write_bytes(gzip.compress(gzip.compress(table().write_csv().encode())))
    assert only(take(tmp_path, log)[1]).rows == 400


def test_what_is_wrong_inside_a_packed_file_names_the_file(tmp_path: Path) -> None:
    log = tmp_path / "log.csv.gz"
    log.write_bytes(gzip.compress(gzip.compress(gzip.compress(b"t,a1\n1,2\n" * 50))))
    reason = take(tmp_path, log)[1].refused[0].reason
    assert "staging" not in reason
    assert reason.startswith("packed more than twice")
