"""No cell of a CSV file is run by a spreadsheet, and CSV is written in one place.

What a spreadsheet runs and how it is kept from it: OWASP, "CSV Injection"
(owasp.org/www-community/attacks/CSV_Injection).
"""

import csv
import io
import json
import re
from pathlib import Path

import polars as pl
import pytest

from replay.cli.tables import write_tables
from replay.csv_cells import csv_bytes

ROOT = Path(__file__).parents[2]
RUN = ["=1+1", "+1+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "\tx", "\r=1", "\n=1", "＝1", "-x, 2"]
SHOWN = ["1=1", "a@b", "x-y", "-2.5", "+3", "-1e-05, 2.25, -3", "", "'=1", "J1"]
WRITERS = {
    "replay/csv_cells.py",
    "replay/reports/bundle/contents.py",  # samples, a piece at a time, through `shown_only`
    "replay/demo/writing/files.py",  # logs as a recorder writes them
    "replay/demo/writing/long_log.py",
    "replay/logs/readers/scrub.py",  # lines of a log on their way in
}


def read(text: bytes) -> list[list[str]]:
    return list(csv.reader(io.StringIO(text.decode(), newline="")))


@pytest.mark.parametrize("cell", RUN)
def test_a_cell_that_would_be_run_is_text(cell):
    made = csv_bytes(pl.DataFrame({"note": [cell, None], cell: ["x", "y"]}))
    assert read(made) == [["note", f"'{cell}"], [f"'{cell}", "x"], ["", "y"]]


@pytest.mark.parametrize("cell", SHOWN)
def test_other_cells_stay_as_they_are(cell):
    frame = pl.DataFrame({"at": [1, 2], "note": [cell, cell]})
    kinds = frame.with_columns(pl.col("note").cast(pl.Categorical))
    assert csv_bytes(frame) == csv_bytes(kinds) == frame.write_csv().encode()


def test_numbers_and_instants_are_not_touched():
    frame = pl.DataFrame({"angle_deg": [-1.5, 2.0], "n": [-3, 4], "on": [True, None]})
    assert csv_bytes(frame) == frame.write_csv().encode()


def test_out_escapes_csv_and_leaves_parquet_and_json(tmp_path):
    frame = pl.DataFrame({"note": ["=1+1"], "angle_deg": [-2.5], "at": [[-1.0, 2.0]]})
    for ending in ("csv", "parquet", "json"):
        write_tables({"notes": frame}, str(tmp_path / f"out.{ending}"))
    assert read((tmp_path / "out.csv").read_bytes())[1] == ["'=1+1", "-2.5", "-1, 2"]
    assert pl.read_parquet(tmp_path / "out.parquet").equals(frame)
    assert json.loads((tmp_path / "out.json").read_text())["notes"][0]["note"] == "=1+1"


def test_csv_is_written_in_one_place():
    writes = re.compile(r"\.write_csv\(|\.sink_csv\(|csv\.(writer|DictWriter)|to_csv\(")
    found = {
        path.relative_to(ROOT).as_posix()
        for room in ("replay", "dashboards")
        for path in (ROOT / room).rglob("*.py")
        if writes.search(path.read_text())
    }
    assert found == WRITERS
