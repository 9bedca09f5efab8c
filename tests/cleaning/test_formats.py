"""Every format gives the same samples."""

from __future__ import annotations

import gzip
from pathlib import Path

import polars as pl
import pyarrow as pa
import pytest

from replay.cli.logs.ingest import expanded
from replay.errors import UsageError
from tests.cleaning.logs import MAP, instants, only, samples, table, take, text

LONG = MAP.replace("[log]", '[log]\nlayout = "long"').replace(
    "[joint.angle]",
    '[long]\ntime = "t"\nchannel = "what"\nvalue = "value"\n[joint.angle]',
)


def long_rows(frame: pl.DataFrame) -> pl.DataFrame:
    """Return one value a row."""
    return frame.unpivot(index="t", variable_name="what", value_name="value").sort("t", "what")


def write(frame: pl.DataFrame, folder: Path, kind: str) -> Path:
    """Write a table in one of the formats."""
    log = folder / f"log.{kind}"
    if kind == "csv":
        log.write_text(text(frame))
    elif kind == "tsv":
        log.write_text(text(frame, "\t"))
    elif kind == "txt":
        log.write_text(text(frame, "|"))
    elif kind == "dat":
        log.write_text(text(frame, " ").replace(" ", "    "))
    elif kind == "ndjson":
        frame.write_ndjson(log)
    elif kind == "parquet":
        frame.write_parquet(log)
    elif kind == "feather":
        frame.write_ipc(log)
    elif kind == "arrows":
        frame.write_ipc_stream(log)
    elif kind == "xlsx":
        frame.write_excel(log)
    elif kind == "csv.gz":
        log.write_bytes(gzip.compress(text(frame).encode()))
    elif kind == "csv.zst":
        log.write_bytes(pa.Codec("zstd").compress(text(frame).encode(), asbytes=True))
        with pa.CompressedOutputStream(str(log), "zstd") as sink:
            sink.write(text(frame).encode())
    elif kind == "ndjson.gz":
        log.write_bytes(gzip.compress(frame.write_ndjson().encode()))
    return log


KINDS = ["csv", "tsv", "txt", "dat", "ndjson", "parquet", "feather", "arrows", "xlsx"]
KINDS += ["csv.gz", "csv.zst", "ndjson.gz"]


@pytest.mark.parametrize("kind", KINDS)
def test_same_samples_from_every_format(tmp_path: Path, kind: str) -> None:
    frame = table(300)
    archive, result = take(tmp_path, write(frame, tmp_path, kind))
    got = samples(archive, only(result))
    assert got["time"].to_list() == instants(300).to_list()
    for ours, theirs in (("J1.angle_deg", "a1"), ("J2.angle_deg", "a2"), ("J2.current_a", "i2")):
        assert got[ours].to_list() == frame[theirs].to_list()
    assert not result.sessions[0].quality


@pytest.mark.parametrize("kind", ["csv", "parquet", "ndjson"])
def test_long_tables(tmp_path: Path, kind: str) -> None:
    frame = table(200)
    archive, result = take(tmp_path, write(long_rows(frame), tmp_path, kind), log_map=LONG)
    session = only(result)
    got = samples(archive, session)
    assert session.rows == 200
    assert got["J1.angle_deg"].to_list() == frame["a1"].to_list()


def test_long_channels_keep_their_own_instants(tmp_path: Path) -> None:
    frame = table(200)
    rows = long_rows(frame).filter(
        (pl.col("what") != "a2") | pl.col("t").str.contains(r"[05]\.\d+Z$")
    )
    log = tmp_path / "log.csv"
    log.write_text(text(rows))
    archive, result = take(tmp_path, log, log_map=LONG)
    session = only(result)
    slow = next(s for s, names in session.channels.items() if "J2.angle_deg" in names)
    assert slow != "main"
    kept = frame.filter(pl.col("t").str.contains(r"[05]\.\d+Z$"))
    assert samples(archive, session, slow)["J2.angle_deg"].to_list() == kept["a2"].to_list()
    assert session.rows == 200


def test_name_is_only_a_hint(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    table(100).write_parquet(log)
    assert only(take(tmp_path, log)[1]).rows == 100


def test_nanoseconds_survive(tmp_path: Path) -> None:
    at = instants(100).cast(pl.Int64) + 7
    log = tmp_path / "log.parquet"
    table(100).with_columns(at.alias("t")).write_parquet(log)
    archive, result = take(tmp_path, log, log_map=MAP.replace("iso8601", "epoch-ns"))
    assert samples(archive, only(result))["time"].cast(pl.Int64).to_list() == at.to_list()


def test_unsigned_and_small_integers(tmp_path: Path) -> None:
    log = tmp_path / "log.parquet"
    frame = table(100).with_columns(
        (pl.int_range(pl.len()) + 156).cast(pl.UInt8).alias("i1"), pl.col("a1").cast(pl.Float32)
    )
    frame.write_parquet(log)
    archive, result = take(tmp_path, log)
    assert samples(archive, only(result))["J1.current_a"].to_list() == list(range(156, 256))


def test_folder_and_pattern_of_the_command_line(tmp_path: Path) -> None:
    folder = tmp_path / "logs"
    folder.mkdir()
    for n in range(3):
        frame = table(60).with_columns(pl.col("t").str.replace("-03-", f"-0{n + 4}-"))
        (folder / f"{n}.csv").write_text(text(frame))
    (folder / "README.md").write_text("notes")
    (folder / "map.toml").write_text(MAP)
    assert len(take(tmp_path / "a", folder)[1].sessions) == 3
    meant = expanded(str(folder / "[01].csv"))
    assert len(take(tmp_path / "b", *map(Path, meant))[1].sessions) == 2
    with pytest.raises(UsageError):
        take(tmp_path / "c", folder / "[01].csv")


def test_files_of_one_session_are_joined(tmp_path: Path) -> None:
    whole = table(300)
    slow = pl.DataFrame(
        {
            "stamp": instants(30, 1.0).dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ"),
            "temp1": [20.0 + n / 10 for n in range(30)],
            "temp2": [21.0 + n / 10 for n in range(30)],
        }
    )
    fast, warm = tmp_path / "drive.csv", tmp_path / "warm.csv"
    fast.write_text(text(whole))
    warm.write_text(text(slow))
    log_map = MAP.replace('column = "t"', 'column = ["t", "stamp"]') + (
        '[joint.temperature]\ncolumn = "temp{n}"\nunit = "degC"\n'
    )
    archive, result = take(tmp_path, warm, fast, log_map=log_map)
    session = only(result)
    assert session.source == "warm.csv; drive.csv"
    assert set(session.channels) == {"main", "warm"}
    assert samples(archive, session)["J1.current_a"].to_list() == whole["i1"].to_list()
    assert (
        samples(archive, session, "warm")["J2.temperature_c"].to_list() == slow["temp2"].to_list()
    )
    assert take(tmp_path, warm, fast, log_map=log_map)[1].unchanged == [session.session]
