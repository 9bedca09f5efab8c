"""The second copy of what only people can give: one small file a commit.

The rows of verdicts, pins and maintenance notes cannot be made again from any
log. Each commit of such a table is therefore written once more, as a file that
carries its place in the order and its own digest in its name:
``copies/<table>/<first entry>-<sha256>.parquet``.
"""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterator
from dataclasses import dataclass

import polars as pl

from replay.archive import layout
from replay.archive.disk.fence import fenced
from replay.archive.disk.place import Place

GROWING = ("reviews", "pins", "maintenance")
"""Tables that people wrote: rows are only ever added, and none is given up."""

ENTRY = "entry"
"""Column that numbers the rows of such a table in the order of their commits."""

_DIGEST_LETTERS = 32


@dataclass(frozen=True, slots=True)
class Copy:
    """One commit's rows as they were kept a second time."""

    name: str
    rows: pl.DataFrame | None
    """None when its bytes are not what was written."""


def folder_of(root: Place, table: str) -> Place:
    """Return where a table's copies lie."""
    return root.child(layout.COPIES, table)


def numbered(rows: pl.DataFrame, first: int) -> pl.DataFrame:
    """Return rows with their places in the order of commits."""
    numbers = pl.Series(ENTRY, range(first, first + rows.height), dtype=pl.Int64)
    return rows.with_columns(numbers)


def keep_copy(root: Place, table: str, rows: pl.DataFrame) -> None:
    """Keep rows, numbered in `ENTRY`, a second time."""
    if not rows.height:
        return
    content = io.BytesIO()
    rows.write_parquet(content, compression="zstd")
    first = int(rows[ENTRY].min() or 0)  # type: ignore[arg-type]
    digest = hashlib.sha256(content.getvalue()).hexdigest()[:_DIGEST_LETTERS]
    folder_of(root, table).child(f"{first:020d}-{digest}.parquet").write(content.getvalue())


def copies(root: Place, table: str) -> Iterator[Copy]:
    """Yield a table's copies in their order."""
    folder = folder_of(root, table)
    for name in folder.names():
        if not name.endswith(".parquet") or name.startswith("."):
            continue
        rows = None
        try:
            content = folder.child(name).read()
            digest = hashlib.sha256(content).hexdigest()[:_DIGEST_LETTERS]
            if digest == name.removesuffix(".parquet").partition("-")[2]:
                with fenced():
                    rows = pl.read_parquet(io.BytesIO(content))
        except (OSError, pl.exceptions.PolarsError):
            rows = None
        yield Copy(name, rows)


def in_order(rows: pl.DataFrame) -> pl.DataFrame:
    """Return a table's rows as they were committed, each once."""
    if ENTRY not in rows.columns:
        return rows
    ordered = rows.sort(ENTRY, nulls_last=False, maintain_order=True)
    return ordered.drop(ENTRY)
