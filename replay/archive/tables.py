"""Small tables as Delta Lake: atomic commits, several writers, other readers."""

from __future__ import annotations

import time
from pathlib import Path

import polars as pl
from deltalake import DeltaTable
from deltalake.exceptions import CommitFailedError


def read(path: Path) -> pl.DataFrame:
    """Return the table at ``path``; an empty frame when it is not there."""
    if not (path / "_delta_log").exists():
        return pl.DataFrame()
    return pl.read_delta(str(path))


def replace(path: Path, rows: pl.DataFrame, key: str, values: list[str]) -> None:
    """Replace all rows whose ``key`` is one of ``values`` by ``rows``."""
    if not (path / "_delta_log").exists():
        path.mkdir(parents=True, exist_ok=True)
        rows.write_delta(str(path))
        return
    quoted = ", ".join("'" + v.replace("'", "''") + "'" for v in values)
    present = pl.scan_delta(str(path)).filter(pl.col(key).is_in(values)).head(1).collect()
    if present.height == 0:
        if rows.height:
            rows.write_delta(str(path), mode="append")
    elif rows.height:
        rows.write_delta(
            str(path),
            mode="overwrite",
            delta_write_options={"predicate": f"{key} IN ({quoted})"},
        )
    else:
        DeltaTable(str(path)).delete(f"{key} IN ({quoted})")


def append(path: Path, rows: pl.DataFrame) -> None:
    """Add ``rows`` at the end; what is there stays as it is."""
    if not (path / "_delta_log").exists():
        path.mkdir(parents=True, exist_ok=True)
    for attempt in range(8):
        try:
            rows.write_delta(str(path), mode="append")
            return
        except CommitFailedError:  # someone else made the table in this moment
            if attempt == 7:
                raise
            time.sleep(0.02 * 2**attempt)
