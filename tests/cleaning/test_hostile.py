"""Logs that are broken, cut, hostile: set aside or refused, with the reason."""

from __future__ import annotations

import gzip
import resource
import struct
import sys
import zipfile
from pathlib import Path

import polars as pl
import pytest

from replay.logs.readers.sniff import MAX_LINE_BYTES
from tests.cleaning.logs import MAP, notes, only, samples, table, take, text


def reason(folder: Path, log: Path, **more: object) -> str:
    """Ingest a log that must be refused beside a good one that must not."""
    good = folder / "good.csv"
    good.write_text(text(table()))
    archive, result = take(folder, log, good, **more)
    assert [Path(s.source).name for s in result.sessions] == ["good.csv"]
    assert archive.sessions().height == 1
    assert len(result.refused) == 1
    assert result.refused[0].source == str(log)
    assert not [p for p in (folder / "archive" / "staging").glob("*") if p.is_dir()]
    return result.refused[0].reason


def test_short_row_is_set_aside_not_read_as_nulls(tmp_path: Path) -> None:
    lines = text(table(50)).splitlines()
    lines[10] = ",".join(lines[10].split(",")[:3])
    log = tmp_path / "log.csv"
    log.write_text("\n".join(lines) + "\n")
    archive, result = take(tmp_path, log)
    session = only(result)
    assert session.rows == 49
    assert notes(session, "short-row")[0].detail.endswith("(rows 10)")
    assert samples(archive, session).null_count().sum_horizontal().item() == 0


def test_long_row_is_set_aside(tmp_path: Path) -> None:
    lines = text(table(50)).splitlines()
    lines[10] += ",5.0"
    log = tmp_path / "log.csv"
    log.write_text("\n".join(lines) + "\n")
    session = only(take(tmp_path, log)[1])
    assert session.rows == 49
    assert "(rows 10)" in notes(session, "long-row")[0].detail


def test_number_cut_at_the_end_of_the_file_is_not_believed(tmp_path: Path) -> None:
    whole = text(table(50))
    log = tmp_path / "log.csv"
    log.write_text(whole[: whole.rindex(".") + 1])
    session = only(take(tmp_path, log)[1])
    assert session.rows == 49
    assert "row 50" in notes(session, "cut-row")[0].detail


def test_last_row_without_a_line_end_is_kept_if_it_is_as_long_as_the_others(
    tmp_path: Path,
) -> None:
    frame = table(50).with_columns(pl.lit("1.2500").alias("last"))
    log = tmp_path / "log.csv"
    log.write_text(text(frame).rstrip("\n"))
    session = only(take(tmp_path, log)[1])
    assert session.rows == 50
    assert not notes(session, "cut-row")


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_any_line_end(tmp_path: Path, end: str) -> None:
    log = tmp_path / "log.csv"
    log.write_bytes(text(table(80)).replace("\n", end).encode())
    assert only(take(tmp_path, log)[1]).rows == 80


@pytest.mark.parametrize("code", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"])
def test_any_encoding(tmp_path: Path, code: str) -> None:
    log = tmp_path / "log.csv"
    log.write_bytes(text(table(80)).encode(code))
    assert only(take(tmp_path, log)[1]).rows == 80


def test_latin_1_header(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_bytes(text(table(80).rename({"a1": "w1°", "a2": "w2°"})).encode("latin-1"))
    session = only(take(tmp_path, log, log_map=MAP.replace("a{n}", "w{n}°"))[1])
    assert session.rows == 80


def test_decimal_comma(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text(text(table(80), ";").replace(".", ",").replace(",000Z", ".000Z"))
    archive, result = take(tmp_path, log)
    got = samples(archive, only(result))
    assert got["J1.current_a"].to_list() == table(80)["i1"].to_list()


def test_comments_and_a_unit_row(tmp_path: Path) -> None:
    lines = text(table(80)).splitlines()
    lines[1:1] = ["[UTC],[deg],[deg],[A],[A]"]
    lines[40:40] = ["# operator changed shift"]
    log = tmp_path / "log.csv"
    log.write_text("# recorder 7\n# yard 2\n" + "\n".join(lines) + "\n")
    archive, result = take(tmp_path, log)
    assert only(result).rows == 80
    got = samples(archive, only(result))
    assert got["J2.angle_deg"].to_list() == table(80)["a2"].to_list()


def test_nul_bytes_in_a_row(tmp_path: Path) -> None:
    lines = text(table(50)).splitlines()
    lines[10] = lines[10].replace(",", ",\x00\x00", 1)
    log = tmp_path / "log.csv"
    log.write_text("\n".join(lines) + "\n")
    archive, result = take(tmp_path, log)
    session = only(result)
    assert samples(archive, session)["J1.angle_deg"].null_count() == 1
    assert notes(session, "text")[0].count == 1


def test_file_of_nul_bytes(tmp_path: Path) -> None:
    log = tmp_path / "bad.csv"
    log.write_bytes(b"\x00" * 5000)
    assert "NUL" in reason(tmp_path, log)


def test_empty_file(tmp_path: Path) -> None:
    log = tmp_path / "bad.csv"
    log.write_bytes(b"")
    assert reason(tmp_path, log) == "the file is empty"


def test_header_without_rows(tmp_path: Path) -> None:
    log = tmp_path / "bad.csv"
    log.write_text("t,a1,a2,i1,i2\n")
    assert "no data rows" in reason(tmp_path, log)


def test_something_else_altogether(tmp_path: Path) -> None:
    log = tmp_path / "bad.csv"
    log.write_bytes(bytes(range(256)) * 100)
    assert "neither text nor" in reason(tmp_path, log)


def test_missing_column_names_the_near_ones(tmp_path: Path) -> None:
    log = tmp_path / "bad.csv"
    log.write_text(text(table(50).rename({"i2": "I2x"})))
    told = reason(tmp_path, log)
    assert "joint 'J2'" in told
    assert "no column 'i2'" in told


def test_text_in_a_number_is_null_and_told(tmp_path: Path) -> None:
    frame = table(50).with_columns(pl.col("i1").cast(pl.String))
    cells = frame["i1"].to_list()
    cells[20], cells[21] = "tilt", "ERR"
    log = tmp_path / "log.csv"
    log.write_text(text(frame.with_columns(pl.Series("i1", cells))))
    archive, result = take(tmp_path, log)
    session = only(result)
    note = notes(session, "text")[0]
    assert (note.joint, note.channel, note.count) == ("J1", "J1.current_a", 1)
    assert "'tilt'" in note.detail
    assert "row 21" in note.detail
    assert "'i1'" in note.detail
    assert notes(session, "sentinel")[0].count == 1
    got = samples(archive, session)["J1.current_a"]
    assert got.is_null().arg_true().to_list() == [20, 21]


def test_giant_line_is_refused_before_it_is_read(tmp_path: Path) -> None:
    log = tmp_path / "bad.csv"
    with log.open("wb") as sink:
        sink.write(text(table(2000)).encode())
        sink.write(b"1" * (MAX_LINE_BYTES * 3))
        sink.write(b"\n")
    assert "a line of more than" in reason(tmp_path, log)


def test_ten_thousand_columns(tmp_path: Path) -> None:
    log = tmp_path / "bad.csv"
    names = [f"c{n}" for n in range(10_000)]
    log.write_text(",".join(names) + "\n" + ",".join("1" for _ in names) + "\n")
    assert "10000 columns" in reason(tmp_path, log)


def test_zip_bomb(tmp_path: Path) -> None:
    log = tmp_path / "bad.csv.gz"
    with gzip.open(log, "wb", compresslevel=9) as sink:
        sink.write(b"t,a1,a2,i1,i2\n")
        for _ in range(400):
            sink.write(b"0,0,0,0,0\n" * 100_000)
    assert "unpacks to more than" in reason(tmp_path, log)


def test_workbook_bomb(tmp_path: Path) -> None:
    log = tmp_path / "bad.xlsx"
    with zipfile.ZipFile(log, "w", zipfile.ZIP_DEFLATED) as book:
        book.writestr("xl/workbook.xml", "<workbook/>")
        book.writestr("xl/worksheets/sheet1.xml", b" " * 300_000_000)
    assert "would unpack" in reason(tmp_path, log)


def test_cut_gzip(tmp_path: Path) -> None:
    log = tmp_path / "bad.csv.gz"
    packed = gzip.compress(text(table(5000)).encode())
    log.write_bytes(packed[: len(packed) // 2])
    assert "cut or damaged" in reason(tmp_path, log)


@pytest.mark.parametrize("keep", [0.5, 0.98])
def test_cut_parquet(tmp_path: Path, keep: float) -> None:
    log = tmp_path / "bad.parquet"
    table(5000).write_parquet(log)
    data = log.read_bytes()
    log.write_bytes(data[: int(len(data) * keep)])
    assert "not a whole Parquet file" in reason(tmp_path, log)


def test_parquet_that_claims_a_trillion_rows(tmp_path: Path) -> None:
    log = tmp_path / "bad.parquet"
    table(300).write_parquet(log)
    data = bytearray(log.read_bytes())
    length = struct.unpack("<I", data[-8:-4])[0]
    footer = bytes(data[-8 - length : -8])
    true_rows = _varint(300 * 2)  # Thrift zigzag
    assert true_rows in footer
    footer = footer.replace(true_rows, _varint(2 * 10**12))
    body = bytes(data[: -8 - length])
    log.write_bytes(body + footer + struct.pack("<I", len(footer)) + b"PAR1")
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    told = reason(tmp_path, log)
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert "1000000000000 rows" in told
    unit = 1 if sys.platform == "darwin" else 1024
    assert (after - before) * unit < 300_000_000


def _varint(value: int) -> bytes:
    out = bytearray()
    while value > 127:
        out.append(value & 127 | 128)
        value >>= 7
    out.append(value)
    return bytes(out)


def test_flipped_bits_in_a_parquet_never_stop_the_batch(tmp_path: Path) -> None:
    whole = tmp_path / "whole.parquet"
    table(3000).write_parquet(whole)
    data = whole.read_bytes()
    logs = []
    for n, place in enumerate(range(10, len(data) - 10, len(data) // 25)):
        broken = bytearray(data)
        broken[place] ^= 0x55
        log = tmp_path / f"flip{n}.parquet"
        log.write_bytes(bytes(broken))
        logs.append(log)
    good = tmp_path / "good.csv"
    good.write_text(text(table(60).with_columns(pl.col("t").str.replace("2031", "2032"))))
    result = take(tmp_path, *logs, good)[1]
    assert "good.csv" in [s.source for s in result.sessions]
    assert len(result.sessions) + len(result.refused) + len(result.unchanged) == len(logs) + 1
    assert result.refused


def test_two_logs_of_one_session(tmp_path: Path) -> None:
    one, other = tmp_path / "a.csv", tmp_path / "b.csv"
    one.write_text(text(table(100)))
    other.write_text(text(table(100, seed=2)))
    archive, result = take(tmp_path, one, other)
    assert len(result.sessions) == 1
    assert result.sessions[0].session in result.refused[0].reason
    assert archive.sessions().height == 1


def test_the_same_log_twice_changes_nothing(tmp_path: Path) -> None:
    log = tmp_path / "a.csv"
    log.write_text(text(table(100)))
    archive, first = take(tmp_path, log)
    before = samples(archive, only(first))
    _, second = take(tmp_path, log)
    assert not second.sessions
    assert not second.refused
    assert second.unchanged == [first.sessions[0].session]
    assert archive.sessions().height == 1
    assert samples(archive, first.sessions[0]).equals(before)


def test_newest_row_first_is_refused(tmp_path: Path) -> None:
    log = tmp_path / "bad.csv"
    log.write_text(text(table(400).reverse()))
    assert "the newest row comes first" in reason(tmp_path, log)


def test_times_too_coarse_for_the_samples(tmp_path: Path) -> None:
    log = tmp_path / "bad.csv"
    log.write_text(text(table(400).with_columns(pl.col("t").str.replace(r"\.\d+Z", "Z"))))
    assert "too coarse" in reason(tmp_path, log)
