"""What the reference model leaves of each sample: its spread, and ripple of the gear.

Ripple is the amplitude at an order of the joint's own angle (cycles a turn):
teeth and wave generators press once per so many degrees whatever the rate.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from replay.statistics.spread import spread_about_zero
from replay.wear.measures.measure import Floats, Measure, measure, step_s
from replay.wear.measures.motions import Motions
from replay.wear.reference.model import Reference, shared_current

FEWEST_SAMPLES = 50
SAMPLES_PER_CYCLE = 3.0
"""Coarser sampling of a ripple would show another order (aliasing)."""
CYCLES = 1.0
"""A motion shorter than this tells ripple from friction no more."""


@dataclass(frozen=True, slots=True)
class Residuals:
    """Samples in motion and what is left of their current."""

    samples: Motions
    rest: Floats
    """A; the mean of each motion is taken out."""


def residuals(
    samples: Motions, reference: Reference, expected_a: Floats | None = None
) -> Residuals:
    """Return what is left of the current, sample by sample.

    Parameters
    ----------
    samples : Motions
        Every sample in motion, one a chunk.
    reference : Reference
        The reference model.
    expected_a : array of shape (rows of table,), optional
        A baseline's expected current, NaN where not seen before; used in the
        reference model's place where it knows at least half of the samples.
    """
    explained = shared_current(samples, reference)
    if expected_a is not None:
        known = expected_a[samples.first_row]
        if np.isfinite(known).mean() >= 0.5:
            explained = known
    return Residuals(samples, _without_means(samples.current - explained, samples))


def spread_measure(found: Residuals) -> Measure | None:
    """Return the residual's spread; errors are counted by motion."""
    rest = found.rest[np.isfinite(found.rest)]
    if len(rest) < FEWEST_SAMPLES:
        return None
    spread = spread_about_zero(rest)
    # 1.166 / sqrt(n): error of a scaled median absolute deviation, normal law
    error = 1.166 * spread / np.sqrt(max(found.samples.count, 2))
    squares = np.bincount(found.samples.motion, np.nan_to_num(found.rest) ** 2)
    counts = np.bincount(found.samples.motion)
    each = np.sqrt(squares / np.maximum(counts, 1))
    typical = int(np.argmin(np.abs(each - np.median(each))))
    return measure("residual spread", spread, error, len(rest), found.samples.middle[typical])


def ripple_measures(
    found: Residuals, orders: Sequence[float], table: pl.DataFrame
) -> list[Measure]:
    """Return the amplitude at each order that motion and sampling can show.

    Parameters
    ----------
    found : Residuals
    orders : sequence of float
        Cycles per joint turn.
    table : DataFrame
        The joint table, for its sampling.
    """
    made: list[Measure | None] = []
    step = step_s(table)
    angle, motion = found.samples.angle, found.samples.motion
    if not np.isfinite(angle).all():
        return []
    span = _spans(angle, motion)
    for order in orders:
        cycle = 360.0 / order
        use = (span[motion] >= CYCLES * cycle) & np.isfinite(found.rest)
        use &= found.samples.speed * step * SAMPLES_PER_CYCLE <= cycle
        if use.sum() < FEWEST_SAMPLES:
            continue
        phase = 2 * np.pi * angle[use] / cycle
        design = np.column_stack([np.cos(phase), np.sin(phase)])
        inverse = np.linalg.pinv(design.T @ design)
        both = inverse @ (design.T @ found.rest[use])
        rest = found.rest[use] - design @ both
        variance = float(np.mean(rest**2)) * float(np.trace(inverse)) / 2
        # The square of a noisy amplitude is too large by its two variances.
        size = float(both @ both) - 2 * variance
        longest = int(np.argmax(np.where(np.isin(np.arange(len(span)), motion[use]), span, -1)))
        made.append(
            measure(
                f"ripple at {order:g} per turn",
                max(size, 0.0) ** 0.5,
                variance**0.5,
                int(use.sum()),
                found.samples.middle[longest],
            )
        )
    return [m for m in made if m is not None]


def _spans(angle: Floats, motion: np.ndarray[tuple[int], np.dtype[np.int64]]) -> Floats:
    count = int(motion.max()) + 1
    low, high = np.full(count, np.inf), np.full(count, -np.inf)
    np.minimum.at(low, motion, angle)
    np.maximum.at(high, motion, angle)
    return np.asarray(high - low, dtype=float)


def _without_means(left: Floats, samples: Motions) -> Floats:
    known = np.isfinite(left)
    sums = np.bincount(samples.motion, np.where(known, left, 0.0))
    counts = np.bincount(samples.motion, known)
    mean = sums / np.maximum(counts, 1)
    return np.asarray(left - mean[samples.motion], dtype=float)
