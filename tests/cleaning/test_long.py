"""Long tables come out the same in small pieces as in one, and need not fit in memory."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from replay.cleaning.long.long_table import Pieces, clean_long
from replay.cleaning.notes import quality_notes
from replay.logs import load_map
from replay.logs.proposing.fit import fit
from replay.logs.readers.open_log import open_log
from replay.records import QualityNote
from tests.cleaning.logs import instants, notes, only, samples, take
from tests.cleaning.test_formats import LONG
from tests.start import START_NS

ZERO = datetime(2031, 3, 1)
CHANNELS = ("a1", "a2", "i1", "i2")
Cell = tuple[int | None, str, str]
"""Tenths of a second, or None for a time that cannot be read; channel; value."""

VALUES = st.one_of(st.integers(-5, 5).map(str), st.sampled_from(["1.0", "1.00", "ERR", "oops"]))
CELLS = st.tuples(
    st.one_of(st.integers(0, 40), st.integers(0, 40), st.none()),
    st.sampled_from((*CHANNELS, "other")),
    VALUES,
)
STEADY: list[Cell] = [(k, c, f"{k % 7}.5") for k in range(30) for c in CHANNELS]


def write(path: Path, cells: Sequence[Cell], end: str = "\n") -> None:
    """Write cells as a long table."""
    lines = [
        f"{'never' if k is None else f'{ZERO + timedelta(seconds=k / 10):%Y-%m-%dT%H:%M:%S.%fZ}'}"
        f",{what},{value}"
        for k, what, value in cells
    ]
    path.write_text("\n".join(["t,what,value", *lines]) + end)


def cleaned(
    log: Path, folder: Path, pieces: Pieces
) -> tuple[dict[str, pl.DataFrame], list[QualityNote]]:
    """Return all streams and notes of a long table that is read in such pieces."""
    folder.mkdir()
    log_map = load_map(LONG)
    raw = open_log(log, folder, [log_map])
    found = fit(raw, [log_map])
    part = clean_long(raw, log_map, found.bindings, ("J1", "J2"), None, folder, pieces=pieces)
    return {k: pl.read_parquet(p) for k, p in part.streams.items()}, quality_notes(part)


def expected(cells: Sequence[Cell]) -> dict[str, dict[int, float | None]]:
    """Return for each channel its values by instant, the first in the file counting."""
    out: dict[str, dict[int, float | None]] = {c: {} for c in CHANNELS}
    for k, what, value in cells:
        if k is not None and what in out and k not in out[what]:
            out[what][k] = float(value) if value[-1].isdigit() else None
    return out


def from_streams(streams: dict[str, pl.DataFrame], cells: Sequence[Cell]) -> dict[str, dict]:  # type: ignore[type-arg]
    """Return what streams say of the instants that the table has for each channel."""
    ours = {"a1": "J1.angle_deg", "a2": "J2.angle_deg", "i1": "J1.current_a", "i2": "J2.current_a"}
    start = instants(1).cast(pl.Int64)[0]
    out: dict[str, dict[int, float | None]] = {}
    for theirs, mine in ours.items():
        (frame,) = [f for f in streams.values() if mine in f.columns]
        tenths = (frame["time"].cast(pl.Int64) - start) // 100_000_000
        pairs = dict(zip(tenths.to_list(), frame[mine].to_list(), strict=True))
        known = {k for k, what, _ in cells if what == theirs and k is not None}
        assert all(value is None for k, value in pairs.items() if k not in known)
        out[theirs] = {k: pairs[k] for k in known}
    return out


@settings(max_examples=25, suppress_health_check=list(HealthCheck))
@given(
    extra=st.lists(CELLS, max_size=60),
    keep=st.integers(1, len(STEADY)),
    late=st.integers(0, 60),
    end=st.sampled_from(["\n", ""]),
    sizes=st.tuples(st.integers(1, 9), st.integers(1, 20), st.integers(1, 12)),
)
@example(extra=[], keep=len(STEADY), late=0, end="\n", sizes=(7, 5, 3))
@example(extra=STEADY[:40], keep=len(STEADY), late=60, end="", sizes=(1, 1, 1))
def test_pieces_do_not_show(
    extra: list[Cell], keep: int, late: int, end: str, sizes: tuple[int, int, int]
) -> None:
    head = [(k, c, "0.5") for k in (41, 42, 43) for c in CHANNELS]
    cells = [*head, *STEADY[late:keep], *extra, *STEADY[:late], (44, "a1", "1")]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write(folder / "log.csv", cells, end)
        whole = cleaned(folder / "log.csv", folder / "whole", Pieces(10**6, 10**6, 10**6))
        small = cleaned(folder / "log.csv", folder / "small", Pieces(*sizes))
        assert small[1] == whole[1]
        assert small[0].keys() == whole[0].keys()
        for stream, frame in whole[0].items():
            assert small[0][stream].equals(frame, null_equal=True)
        taken = cells if end else cells[:-1]  # a row without a line end may be cut
        assert from_streams(whole[0], taken) == expected(taken)
        assert bool(end) == all(n.kind != "cut-row" for n in whole[1])


def test_repeats_are_counted_in_rows_of_the_file(tmp_path: Path) -> None:
    cells = [*STEADY, (12, "a1", STEADY[48][2]), (12, "i1", STEADY[48][2]), (13, "a2", "99")]
    write(tmp_path / "log.csv", cells)
    archive, result = take(tmp_path, tmp_path / "log.csv", log_map=LONG)
    session = only(result)
    (same,) = notes(session, "duplicate")
    assert same.count == 2
    assert f"(rows {len(STEADY) + 1}, {len(STEADY) + 2})" in same.detail
    (other,) = notes(session, "contradiction")
    assert other.count == 1
    assert f"(rows {len(STEADY) + 3})" in other.detail
    assert samples(archive, session)["J2.angle_deg"][13] == float(STEADY[13 * 4 + 1][2])


def test_times_too_coarse_for_the_samples_are_refused(tmp_path: Path) -> None:
    write(tmp_path / "log.csv", [(k // 5 * 10, c, str(k)) for k in range(50) for c in CHANNELS])
    _, result = take(tmp_path, tmp_path / "log.csv", log_map=LONG)
    assert "too coarse" in result.refused[0].reason


ROWS, WIDTH, CAP_MIB = 15_000_000, 48, 300
CHILD = """
import sys
from pathlib import Path
from replay.archive import open_archive
from replay.cleaning import ingest


def take(name):
    log = Path(sys.argv[1]) / name
    archive = open_archive(log.with_suffix(".archive"), create=True)
    result = ingest(archive, log, log_map=Path(sys.argv[1]) / "log.map.toml")
    assert len(result.sessions) == 1, result.refused
    status = Path("/proc/self/status").read_text()
    return result.sessions[0].rows, int(status.split("VmHWM:")[1].split()[0]) >> 10


_, before = take("small.parquet")
rows, after = take("large.parquet")
print(rows, after - before)
"""


def write_wide_words(path: Path, rows: int) -> None:
    """Write a long table of four channels whose values are words of `WIDTH` signs."""
    import pyarrow.parquet as pq

    words = pl.Series([f"{np.sin(k / 99):<{WIDTH}.2f}" for k in range(997)])
    writer = None
    for begin in range(0, rows, 1_000_000):
        k = np.arange(begin, min(begin + 1_000_000, rows))
        piece = pl.DataFrame(
            {
                "t": START_NS + (k // 4) * 10_000_000,
                "what": pl.Series(CHANNELS).gather(k % 4),
                "value": words.gather(k % 997),
            }
        ).to_arrow()
        writer = writer or pq.ParquetWriter(path, piece.schema)
        writer.write_table(piece, row_group_size=250_000)
    assert writer is not None
    writer.close()


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="reads peak memory from /proc")
def test_a_table_three_times_the_memory_it_may_take(tmp_path: Path) -> None:
    """0.78 GiB of cells (48 octets a value, 8 a time) in 300 MiB beyond what a small log takes."""
    assert ROWS * (WIDTH + 8) > 2.5 * CAP_MIB * 2**20
    write_wide_words(tmp_path / "small.parquet", 4000)
    write_wide_words(tmp_path / "large.parquet", ROWS)
    (tmp_path / "log.map.toml").write_text(LONG.replace("iso8601", "epoch-ns"))
    told = subprocess.run(
        [sys.executable, "-c", CHILD, str(tmp_path)],
        check=True,
        capture_output=True,
        text=True,
        timeout=300,
        env=os.environ | {"POLARS_MAX_THREADS": "1"},  # each more thread holds blocks of its own
    ).stdout.split()
    assert int(told[0]) == ROWS // 4
    assert int(told[1]) < CAP_MIB, f"{told[1]} MiB"
