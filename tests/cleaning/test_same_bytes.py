"""The same log gives the same bytes, however many threads read it."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import pytest

from replay.archive.samples.overview import write_overviews
from tests.cleaning.logs import MAP, table, text

ROWS = 150_000  # more than a row group, so that there are overviews
INGEST = """
import sys
from replay.archive import open_archive
from replay.cleaning import ingest
result = ingest(open_archive(sys.argv[1], create=True), sys.argv[2], log_map=sys.argv[3])
assert len(result.sessions) == 1, result.refused
"""


@pytest.fixture(scope="module")
def archives(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Ingest one log twice, with one thread and with four."""
    folder = tmp_path_factory.mktemp("same")
    log, log_map = folder / "log.csv", folder / "log.map.toml"
    log.write_text(text(table(ROWS)))
    log_map.write_text(MAP)
    made = []
    for threads in (1, 4):
        target = folder / f"archive{threads}"
        subprocess.run(
            [sys.executable, "-c", INGEST, str(target), str(log), str(log_map)],
            check=True,
            env=os.environ | {"POLARS_MAX_THREADS": str(threads)},
            timeout=120,
        )
        made.append(target)
    return made


def contents(folder: Path) -> dict[str, str]:
    """Return the digest of every file below a folder."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.mark.parametrize("part", ["samples", "raw"])
def test_same_log_same_bytes(archives: list[Path], part: str) -> None:
    one, other = (contents(archive / part) for archive in archives)
    assert one
    assert one == other


def test_overviews_are_those_that_the_samples_give(archives: list[Path], tmp_path: Path) -> None:
    (samples,) = (archives[0] / "samples").glob("*/main.parquet")
    made = write_overviews(samples, tmp_path, "main")
    assert len(made) == 3
    assert contents(tmp_path) == contents(samples.parent / "overviews")
