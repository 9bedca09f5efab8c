"""Channels of a long table side by side on their instants, in bounded memory."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from replay.cleaning.long.series import NS, VALUE, Series

Ints = npt.NDArray[np.int64]

GROUP_ROWS = 65_536


def aligned(members: Sequence[Series], held_rows: int) -> Iterator[pl.DataFrame]:
    """Yield tables of ``ns`` and one column a channel, instants rising throughout.

    Parameters
    ----------
    members : sequence of Series
        In order, as `Series.in_order` makes them.
    held_rows : int
        How many rows of each channel are held at once, about.
    """
    sources = [m.pieces() for m in members]
    held = [pl.DataFrame() for _ in members]
    left = [True for _ in members]
    while True:
        for k, source in enumerate(sources):
            parts = [held[k]] if held[k].height else []
            count = held[k].height
            while left[k] and count < held_rows:
                piece = next(source, None)
                if piece is None:
                    left[k] = False
                else:
                    parts.append(piece.select(NS, pl.col(VALUE).alias(members[k].name)))
                    count += piece.height
            held[k] = pl.concat(parts) if parts else held[k].clear()
        ends = [int(h[NS][-1]) for h, more in zip(held, left, strict=True) if more]
        limit = min(ends) if ends else None
        ready = []
        for k, frame in enumerate(held):
            count = frame.height
            if limit is not None and count:
                count = int(np.searchsorted(frame[NS].to_numpy(), limit, side="right"))
            ready.append(frame.head(count))
            held[k] = frame.slice(count)
        joined = _join([r for r in ready if r.height])
        if joined is not None:
            yield joined
        if limit is None:
            return


def write_aligned(members: Sequence[Series], target: Path, held_rows: int) -> int:
    """Write the table of `aligned` as Parquet; return how many rows it has."""
    import pyarrow.parquet as pq

    empty = {m.name: next(m.pieces()).clear()[VALUE].alias(m.name) for m in members}
    writer: Any = None
    rows = 0
    waiting: list[pl.DataFrame] = []

    def flush() -> None:
        nonlocal writer
        table = pl.concat(waiting).to_arrow(compat_level=pl.CompatLevel.oldest())
        if writer is None:
            writer = pq.ParquetWriter(target, table.schema, compression="lz4")
        writer.write_table(table, row_group_size=GROUP_ROWS)
        waiting.clear()

    try:
        for piece in aligned(members, held_rows):
            whole = piece.with_columns(
                pl.lit(None, dtype=column.dtype).alias(name)
                for name, column in empty.items()
                if name not in piece.columns
            ).select(NS, *empty)
            waiting.append(whole)
            rows += whole.height
            if sum(w.height for w in waiting) >= GROUP_ROWS:
                flush()
        if waiting:
            flush()
    finally:
        if writer is not None:
            writer.close()
    return rows


def _join(frames: Sequence[pl.DataFrame]) -> pl.DataFrame | None:
    if not frames:
        return None
    instants = [f[NS].to_numpy() for f in frames]
    if all(len(ns) == len(instants[0]) and (ns == instants[0]).all() for ns in instants[1:]):
        return pl.concat([frames[0], *(f.drop(NS) for f in frames[1:])], how="horizontal")
    table = pl.DataFrame({NS: np.unique(np.concatenate(instants))})
    for frame in frames:
        table = table.join(frame, on=NS, how="left", maintain_order="left")
    return table
