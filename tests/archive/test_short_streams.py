"""Windows of a short stream come from memory, and are what its file holds, as it is now."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from replay.archive import Archive, open_archive
from replay.archive.disk.place import DiskPlace
from replay.archive.samples import short_streams
from replay.archive.samples.short_streams import SHORT
from replay.errors import DamageError
from tests.archive.streams import record, stream
from tests.start import START

CHANNELS = ("J1.current_a", "J1.angle_deg")


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    made = open_archive(tmp_path / "archive", create=True)
    for k, name in enumerate(("one", "two")):
        frame = stream(5_000, seed=k)
        made.add_session(record(name, frame), {"main": frame})
    return made


@pytest.fixture
def scans(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[str]]:
    """Return which files are opened to read samples, as they are."""
    seen: list[str] = []
    true = DiskPlace.scan

    def scan(self: DiskPlace) -> pl.LazyFrame:
        seen.append(self.path.parent.name)
        return true(self)

    monkeypatch.setattr(DiskPlace, "scan", scan)
    SHORT.forget()
    yield seen
    SHORT.forget()


def window(archive: Archive, session: str, first: int, rows: int, points: int = 400):
    start = START + timedelta(milliseconds=10 * first)
    return archive.window(
        session, CHANNELS, start, start + timedelta(milliseconds=10 * rows), points
    )


def test_windows_are_those_of_the_file_and_open_it_once(
    archive: Archive, scans: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    spans = [(0, 5_000), (0, 30), (2_500, 900), (4_990, 500), (6_000, 10), (17, 4_000)]
    kept = [window(archive, "one", *span) for span in spans]
    assert scans == ["one"]
    monkeypatch.setattr(short_streams, "SHORT_ROWS", 0)
    SHORT.forget()
    for span, points in zip(spans, kept, strict=True):
        read = window(archive, "one", *span)
        for name in CHANNELS:
            for here, there in zip(points[name], read[name], strict=True):
                assert np.array_equal(here, there, equal_nan=True)
                assert here.dtype == there.dtype
    assert len(scans) == 1 + len(spans)


def test_nobody_can_write_into_what_others_will_be_shown(
    archive: Archive, scans: list[str]
) -> None:
    time, values = window(archive, "one", 0, 30)["J1.current_a"]
    for array in (time, values):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 0


def test_a_session_that_was_stored_anew_is_read_anew(archive: Archive, scans: list[str]) -> None:
    before = window(archive, "one", 0, 30)["J1.current_a"][1]
    frame = stream(5_000).with_columns(pl.col("J1.current_a") + 3.0)
    archive.add_session(record("one", frame), {"main": frame}, replace=True)
    after = window(archive, "one", 0, 30)["J1.current_a"][1]
    assert np.array_equal(after, frame["J1.current_a"].head(30).cast(pl.Float32).to_numpy())
    assert not np.array_equal(after, before)


def test_of_too_many_the_one_asked_for_longest_ago_is_read_again(
    archive: Archive, scans: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(short_streams, "KEPT_BYTES", 100_000)  # one takes 80 kB
    for name in ("one", "two", "two", "one"):
        window(archive, name, 0, 30)
    assert scans == ["one", "two", "one"]


def test_a_harmed_file_is_still_refused(archive: Archive, scans: list[str]) -> None:
    window(archive, "one", 0, 30)
    file = archive.root / "samples" / "one" / "main.parquet"
    content = bytearray(file.read_bytes())
    content[len(content) // 3] ^= 4
    file.write_bytes(content)
    with pytest.raises(DamageError):
        [window(archive, "one", first, 100) for first in range(0, 5_000, 100)]
