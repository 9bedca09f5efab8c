"""Detectors through time, for the page that shows one event."""

from __future__ import annotations

import numpy as np
import polars as pl

from replay.archive import Archive
from replay.errors import UsageError
from replay.models.baselines import Baseline, load_baseline
from replay.models.bins import Floats
from replay.models.readings import Reading, read_session
from replay.models.unit import Rarity, UnitModel


def score_trace(
    archive: Archive, session: str, joint: str, baseline: Baseline | str | None = None
) -> pl.DataFrame:
    """Return every detector's value and the score through time.

    Parameters
    ----------
    archive : Archive
    session, joint : str
    baseline : Baseline or str, optional
        A baseline or its version; the latest by default.

    Returns
    -------
    polars.DataFrame
        One row per bin (0.2 s, or a sample of a slower log): ``time``, ``sample_z`` (departure
        from the expected current in its spreads), one column per detector in
        healthy spreads (signed; null where it has nothing to say) and
        ``score``, ``-log10`` of the chance that a healthy joint-hour shows
        anything as rare.
    """
    known = baseline if isinstance(baseline, Baseline) else load_baseline(archive, baseline)
    record = archive.session(session)
    reading = next((r for r in read_session(archive, record) if r.joint == joint), None)
    if reading is None:
        raise UsageError(
            f"session {session!r} has no current for joint {joint!r}",
            todo=f"it has {', '.join(record.joints)}",
        )
    unit = known.units.get(reading.unit)
    start = np.datetime64(record.start.replace(tzinfo=None), "ns")
    at = start + np.round(reading.bins.start_s * 1e9).astype("timedelta64[ns]")
    time = pl.Series("time", at).dt.replace_time_zone("UTC")
    if unit is None:
        return pl.DataFrame({"time": time}).with_columns(
            pl.lit(None, dtype=pl.Float64).alias("score")
        )
    columns, score = detector_columns(reading, unit, known.rarity)
    return pl.DataFrame(
        [
            time,
            *(pl.Series(n, v).fill_nan(None) for n, v in columns.items()),
            pl.Series("score", score),
        ]
    )


def detector_columns(
    reading: Reading, unit: UnitModel, rarity: Rarity
) -> tuple[dict[str, Floats], Floats]:
    """Return detectors' values by bin, and the score of the rarest of them."""
    trace = unit.trace(reading.bins, reading.marks)
    size = len(reading.bins)
    columns: dict[str, Floats] = {"sample_z": np.where(trace.seen, trace.z, np.nan)}
    lowest = np.full(size, np.inf)
    for statistic in unit.statistics(trace):
        value = np.full(size, np.nan)
        value[statistic.rows] = statistic.value
        if np.isinf(statistic.window_s) and statistic.value.size:
            value[statistic.rows] = statistic.value[-1]
        columns[statistic.name] = value
        rate = rarity.rate(statistic.name, np.abs(np.nan_to_num(value)))
        lowest = np.fmin(lowest, np.where(np.isfinite(value), rate, np.inf))
    for mark, size_ in zip(reading.marks, unit.mark_values(reading.marks), strict=True):
        inside = (reading.bins.end_s >= mark.start_s) & (reading.bins.start_s <= mark.end_s)
        column = columns.setdefault(mark.name, np.full(size, np.nan))
        column[inside] = np.fmax(column[inside], size_)
        lowest[inside] = np.minimum(lowest[inside], rarity.rate(mark.name, size_))
    score = np.where(
        np.isfinite(lowest), rarity.score(np.where(np.isfinite(lowest), lowest, 1.0)), 0.0
    )
    return columns, np.asarray(score)
