"""Small logs of two joints, for tests of the way in."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl

from replay.archive import Archive, open_archive
from replay.cleaning import IngestResult, ingest
from replay.records import QualityNote, Session
from replay.units import TIME
from tests.start import START_NS

START = "2031-03-01T00:00:00Z"
MAP = """
[log]
joints = 2
[time]
column = "t"
format = "iso8601"
[joint.angle]
column = "a{n}"
unit = "deg"
[joint.current]
column = "i{n}"
unit = "A"
"""


def instants(rows: int, hz: float = 10.0) -> pl.Series:
    """Return rising UTC instants from START."""
    ns = START_NS + np.round(np.arange(rows) * 1e9 / hz).astype(np.int64)
    return pl.Series("t", ns).cast(pl.Datetime("ns", "UTC"))


def table(rows: int = 400, hz: float = 10.0, seed: int = 1) -> pl.DataFrame:
    """Return instants as text, two angles and two currents with noise."""
    rng = np.random.default_rng(seed)
    k = np.arange(rows)
    return pl.DataFrame(
        {
            "t": instants(rows, hz).dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ"),
            **{
                f"a{n}": np.round(20 * np.sin(k / 50 + n) + rng.normal(0, 0.01, rows), 4)
                for n in (1, 2)
            },
            **{f"i{n}": np.round(rng.normal(1.0, 0.2, rows), 4) for n in (1, 2)},
        }
    )


def text(frame: pl.DataFrame, separator: str = ",") -> str:
    """Return a table as CSV text."""
    return frame.write_csv(separator=separator)


def take(
    folder: Path, *logs: Path, log_map: object = MAP, **more: object
) -> tuple[Archive, IngestResult]:
    """Ingest logs into an archive below a folder."""
    archive = open_archive(folder / "archive", create=True)
    return archive, ingest(archive, logs, log_map=log_map, **more)  # type: ignore[arg-type]


def only(result: IngestResult) -> Session:
    """Return the one session that came of it."""
    assert not result.refused, result.refused
    assert len(result.sessions) == 1
    return result.sessions[0]


def samples(archive: Archive, session: Session, stream: str = "main") -> pl.DataFrame:
    """Return a stream whole."""
    return archive.samples(session.session, stream=stream).collect()


def notes(session: Session, kind: str) -> list[QualityNote]:
    """Return the notes of a kind."""
    return [n for n in session.quality if n.kind == kind]


__all__ = ["MAP", "START", "TIME", "instants", "notes", "only", "samples", "table", "take", "text"]
