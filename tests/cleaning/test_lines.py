"""Line ends, quotes and rows that are set aside, as recorders and editors leave them."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from tests.cleaning.logs import MAP, notes, only, samples, table, take, text

PHASED = MAP + '[session.phase]\ncolumn = "phase"\n'


def _phased(rows: int = 400) -> list[str]:
    return text(table(rows).with_columns(phase=pl.lit("move"))).split("\n")


@pytest.mark.parametrize("change", ["first CR, then LF", "first LF, then CR", "CR, LF at the end"])
def test_line_ends_that_change_within_a_file(tmp_path: Path, change: str) -> None:
    lines = text(table()).split("\n")
    log = tmp_path / "log.csv"
    if change == "CR, LF at the end":
        log.write_bytes(("\r".join(lines[:-1]) + "\n").encode())
    else:
        one, other = ("\r", "\n") if change.startswith("first CR") else ("\n", "\r")
        log.write_bytes((one.join(lines[:100]) + one + other.join(lines[100:])).encode())
    archive, result = take(tmp_path, log)
    session = only(result)
    assert session.rows == 400
    assert samples(archive, session)["J1.angle_deg"].to_list() == table()["a1"].to_list()


def test_two_carriage_returns_and_a_line_feed(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_bytes(text(table()).replace("\n", "\r\r\n").encode())
    assert only(take(tmp_path, log)[1]).rows == 400


def test_carriage_returns_far_into_a_file(tmp_path: Path) -> None:
    lines = text(table(20_000)).split("\n")
    log = tmp_path / "log.csv"
    log.write_bytes(("\n".join(lines[:15_000]) + "\n" + "\r".join(lines[15_000:])).encode())
    assert only(take(tmp_path, log)[1]).rows == 20_000


@pytest.mark.parametrize("rows", [400, 30_000])
def test_a_stray_quote_swallows_no_rows(tmp_path: Path, rows: int) -> None:
    lines = _phased(rows)
    places = (50, 300) if rows == 400 else (13_050, 13_300)
    lines[places[0]] = lines[places[0]].replace("move", '"move')
    lines[places[1]] = lines[places[1]].replace("move", 'move"')
    log = tmp_path / "log.csv"
    log.write_text("\n".join(lines))
    session = only(take(tmp_path, log, log_map=PHASED)[1])
    assert session.rows == rows
    assert not notes(session, "gap")


@pytest.mark.parametrize("cell", ['"move', '5" tube', 'so-called "move"'])
def test_a_quote_that_is_part_of_a_word(tmp_path: Path, cell: str) -> None:
    lines = _phased()
    lines[50] = lines[50].replace("move", cell)
    log = tmp_path / "log.csv"
    log.write_text("\n".join(lines))
    archive, result = take(tmp_path, log, log_map=PHASED)
    phases = samples(archive, only(result))["phase"]
    assert len(phases) == 400
    assert phases[49].strip('"') == cell.strip('"')


def test_a_quoted_cell_of_two_lines_is_one_cell(tmp_path: Path) -> None:
    lines = _phased()
    lines[50] = lines[50].replace("move", '"move,\nslowly"')
    log = tmp_path / "log.csv"
    log.write_text("\n".join(lines))
    archive, result = take(tmp_path, log, log_map=PHASED)
    session = only(result)
    assert session.rows == 400
    assert not notes(session, "short-row")
    assert samples(archive, session)["phase"][49].split() == ["move,", "slowly"]


def test_a_row_set_aside_keeps_its_time_in_a_log_without_times(tmp_path: Path) -> None:
    timed = '[time]\nrows_at_hz = 10.0\nstart = "2031-03-01T00:00:00Z"\n'
    log_map = MAP.replace('[time]\ncolumn = "t"\nformat = "iso8601"\n', timed)
    lines = text(table().drop("t")).split("\n")
    lines[101] = "7.0"
    log = tmp_path / "log.csv"
    log.write_text("\n".join(lines))
    archive, result = take(tmp_path, log, log_map=log_map)
    session = only(result)
    (gap,) = notes(session, "short-row")
    assert gap.count == 1
    frame = samples(archive, session)
    assert session.end.isoformat() == "2031-03-01T00:00:39.900000+00:00"
    since_start = (frame["time"] - frame["time"][0]).dt.total_milliseconds()
    late = frame.filter(since_start >= 10_100)
    assert late["J1.angle_deg"].to_list() == table()["a1"][101:].to_list()
