"""Joint tables and small archives whose truth is known, for the tests of this room."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import polars as pl

from replay.archive import Archive, open_archive
from replay.records import Session
from replay.units import TIME

START = datetime(2031, 3, 1, tzinfo=UTC)


def instants(t_s: np.ndarray) -> pl.Series:
    ns = np.int64(START.timestamp()) * 10**9 + np.round(np.asarray(t_s) * 1e9).astype(np.int64)
    return pl.Series(TIME, ns).cast(pl.Datetime("ns")).dt.replace_time_zone("UTC")


def archive_of(
    folder: Path,
    streams: Mapping[str, Mapping[str, object]],
    times: Mapping[str, np.ndarray],
    **record: object,
) -> Archive:
    """An archive with one session ``s``; ``streams`` maps a stream to its channels."""
    archive = open_archive(folder, create=True)
    frames = {
        name: pl.DataFrame({TIME: instants(times[name]), **channels})
        for name, channels in streams.items()
    }
    joints = sorted({c.split(".")[0] for f in frames.values() for c in f.columns if "." in c})
    main = frames["main"]
    defaults: dict[str, object] = {
        "source": "made",
        "arm": "made",
        "rows": main.height,
        "start": START,
        "end": main[TIME][-1],
        "joints": tuple(joints),
        "units": {j: f"TU-{j}" for j in joints},
    }
    session = Session(
        session="s",
        channels={n: tuple(c for c in f.columns if c != TIME) for n, f in frames.items()},
        **(defaults | record),  # type: ignore[arg-type]
    )
    archive.add_session(session, frames)
    return archive


def trapezoid(t_s: np.ndarray, corners: list[tuple[float, float]]) -> tuple[np.ndarray, np.ndarray]:
    """Angle (from 0) and rate of a motion whose rate is piecewise linear, exactly."""
    at, rate = (np.array(v, dtype=float) for v in zip(*corners, strict=True))
    before = np.concatenate([[0.0], np.cumsum(np.diff(at) * (rate[1:] + rate[:-1]) / 2)])
    piece = np.clip(np.searchsorted(at, t_s, side="right") - 1, 0, len(at) - 2)
    slope = (rate[piece + 1] - rate[piece]) / (at[piece + 1] - at[piece])
    into = np.clip(t_s, at[0], at[-1]) - at[piece]
    return (
        before[piece] + rate[piece] * into + slope * into**2 / 2,
        rate[piece] + slope * into,
    )
