"""Where maintenance splits a history, and where a replaced unit's begins anew."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl

from replay.wear.units.maintenance import WORDS


def splits_of(notes: pl.DataFrame) -> dict[str, list[tuple[int, bool]]]:
    """Return per serial the instants that split it, and whether it begins anew."""
    out: dict[str, list[tuple[int, bool]]] = {}
    for row in notes.iter_rows(named=True):
        if WORDS.get(row["what"], False):
            at = round(row["date"].timestamp() * 1e6)
            out.setdefault(row["serial"], []).append((at, row["what"] == "replaced"))
    return out


def sections_of(
    start: npt.NDArray[np.int64], splits: list[tuple[int, bool]]
) -> tuple[npt.NDArray[np.int64], int]:
    """Return each session's section, and the index of the first that counts."""
    sections = np.searchsorted(sorted(at for at, _ in splits), start, side="right")
    kept = 0
    for at, anew in splits:
        first = int(np.searchsorted(start, at))
        if anew and first < len(start):
            kept = max(kept, first)
    return np.asarray(sections, dtype=np.int64), kept
