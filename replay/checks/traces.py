"""The test through time, for the page that shows one event."""

from __future__ import annotations

import numpy as np
import polars as pl

from replay.archive import Archive
from replay.checks import promise
from replay.checks.findings import Evidence, gather, within
from replay.checks.likelihood import windows
from replay.checks.limits.extreme_values import statistic
from replay.checks.reading import read
from replay.errors import UsageError
from replay.models import Baseline, load_baseline
from replay.models.model import residuals_of
from replay.models.residuals import HELD, Floats, JointResiduals
from replay.signatures.registry import SHAPES


def score_trace(
    archive: Archive, session: str, joint: str, baseline: Baseline | str | None = None
) -> pl.DataFrame:
    """Return every statistic's value and the score through time.

    Parameters
    ----------
    archive : Archive
    session, joint : str
    baseline : Baseline or str, optional
        A baseline or its version; the latest by default.

    Returns
    -------
    polars.DataFrame
        One row per block (about 0.2 s, or a sample of a slower log): ``time``, ``sample_z``
        (departure from the expected current in its spreads), one column per statistic
        (signed, in its standard deviations, of the window that departs most there; null
        where it has nothing to say) and ``score``, ``-log10`` of the chance
        that a healthy joint-hour shows anything as rare.

    Raises
    ------
    UsageError
        The joint has no motor current in the session.
    BaselineError
        There is no such baseline.
    """
    known = baseline if isinstance(baseline, Baseline) else load_baseline(archive, baseline)
    reading = read(archive, session, known.model.filter_s)
    record = reading.blocks.record
    residuals = residuals_of(known.model, reading.blocks)
    mine = residuals.joints.get(joint)
    if mine is None or not np.isfinite(mine.current_a).any():
        raise UsageError(
            f"session {session!r} has no current for joint {joint!r}",
            todo=f"it has {', '.join(record.joints)}",
        )
    time = pl.Series("time", mine.time_ns).cast(pl.Datetime("ns")).dt.replace_time_zone("UTC")
    if mine.unit not in known.units:
        return pl.DataFrame({"time": time}).with_columns(
            pl.lit(None, dtype=pl.Float64).alias("score")
        )
    evidence = gather(residuals, reading.seen, promise.calibration_of(known))
    columns, score = statistic_columns(evidence, mine)
    return pl.DataFrame(
        [
            time,
            *(pl.Series(n, v).fill_nan(None) for n, v in columns.items()),
            pl.Series("score", score).fill_nan(None),
        ]
    )


def statistic_columns(
    evidence: Evidence, joint: JointResiduals
) -> tuple[dict[str, Floats], Floats]:
    """Return statistics' values by block, and the score of the rarest of them.

    A block counts where the statistic sees it: a window reaches over rests that say nothing,
    and there no score stands either (NaN).
    """
    size = joint.t_s.size
    columns: dict[str, Floats] = {"sample_z": _departure(joint)}
    score = np.full(size, np.nan)
    for name, shape in SHAPES.items():
        part = evidence.terms.get((joint.joint, name))
        noise = evidence.noise(joint.joint, name) if part is not None else None
        if part is None or noise is None or not part.energy.any():
            continue
        best, rare = np.zeros(size), np.zeros(size)
        if not shape.sought:
            continue
        for found in windows(part, joint.step_s, grows=shape.grows, least_s=shape.least_s):
            z = found.z(noise)
            scores = evidence.laws.score(statistic(name, found.band), np.abs(z))
            for first, stop, value, high in zip(found.first, found.stop, z, scores, strict=True):
                piece = best[first:stop]
                np.copyto(piece, value, where=np.abs(piece) < abs(value))
                np.maximum(rare[first:stop], high, out=rare[first:stop])
        columns[name] = np.where(part.energy > 0, best, np.nan)
        score = np.fmax(score, np.where(part.energy > 0, rare, np.nan))
    for mark, mark_score in evidence.marks.get(joint.joint, []):
        blocks = within(joint, mark.start_s, mark.end_s)
        column = columns.setdefault(mark.measure, np.full(size, np.nan))
        column[blocks] = np.fmax(column[blocks], mark.value)
        score[blocks] = np.fmax(score[blocks], mark_score)
    return columns, np.asarray(np.minimum(score, 300.0))


def _departure(joint: JointResiduals) -> Floats:
    """Return by how many spreads the current is off the expected one, NaN where nothing is.

    At rest static friction holds any current up to breakaway: that widens the spread.
    """
    plant, rest = joint.plant, joint.rest
    still = np.where(
        joint.state == HELD, 0.0, np.nan_to_num(joint.figures.get("breakaway_a", 0.0)) ** 2 / 3
    )
    variance = np.where(
        plant.ok, plant.variance + plant.doubt_a**2, rest.variance + rest.doubt_a**2 + still
    )
    off = np.where(plant.ok, plant.value, joint.current_a - joint.expected_a)
    known = (plant.ok | rest.ok) & (variance > 0)
    return np.where(known, off / np.sqrt(np.where(known, variance, 1.0)), np.nan)
