"""What an engineer would script in an afternoon, for comparison.

Two detectors per joint unit on speed and current: scikit-learn's isolation
forest, and a spline through the current with a robust z of what is left. Each
gets the limit that keeps the asked rate of false flags on the healthy
sessions it learned from, and joins what is close into one flag, as ours does.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta

import numpy as np

from replay.checks.matching import Raised
from replay.checks.reading import Reading
from replay.models.residuals import Floats
from replay.signatures.marks import runs, spread

JOIN_S = 3.0
MOST_ROWS = 20_000
KNOTS = 8

Scorer = Callable[[Floats], Floats]
"""From rows of rate and current, (n, 2), to scores, NaN where one is not known."""


@dataclass(frozen=True, slots=True)
class PlainDetector:
    """One of the two, fitted on healthy readings."""

    name: str
    scorers: dict[str, Scorer]
    limit: float

    def raise_flags(self, reading: Reading) -> list[Raised]:
        """Return the stretches whose score is above the limit."""
        blocks = reading.blocks
        made: list[Raised] = []
        for joint, unit, rows in _joints(reading):
            scorer = self.scorers.get(unit)
            if scorer is None or not len(rows):
                continue
            first, last = runs(scorer(rows) > self.limit)
            mine: list[Raised] = []
            half = 0.5 * blocks.step_s
            for a, b in zip(first, last, strict=True):
                start = blocks.record.start + timedelta(seconds=float(blocks.t_s[a]) - half)
                end = blocks.record.start + timedelta(seconds=float(blocks.t_s[b]) + half)
                if mine and (start - mine[-1].end).total_seconds() < JOIN_S:
                    start = mine.pop().start
                mine.append(Raised(reading.session, joint, "unusual", start, end))
            made += mine
        return made


def _joints(reading: Reading) -> list[tuple[str, str, Floats]]:
    """Return joint, unit, and rows of rate and current."""
    record = reading.blocks.record
    return [
        (name, record.unit(name), np.column_stack([j.rate_deg_s, j.current_a]))
        for name, j in reading.blocks.joints.items()
    ]


def plain_detectors(healthy: list[Reading], asked: float) -> list[PlainDetector]:
    """Fit both detectors and set their limits at the asked rate per 100 h."""
    by_unit: dict[str, list[Floats]] = {}
    for reading in healthy:
        for _, unit, rows in _joints(reading):
            by_unit.setdefault(unit, []).append(rows)
    hours = sum(len(rows) * r.blocks.step_s / 3600 for r in healthy for *_, rows in _joints(r))
    made = []
    for name, fit in (("isolation forest", _forest), ("spline and robust z", _spline)):
        scorers = {unit: fit(_rows(mine)) for unit, mine in sorted(by_unit.items())}
        top = np.array(
            [
                np.nanmax(scorers[unit](rows), initial=-np.inf)
                for unit, mine in by_unit.items()
                for rows in mine
                if len(rows)
            ]
        )
        allowed = int(asked * hours / 100)
        limit = float(np.sort(top)[::-1][min(allowed, top.size - 1)]) if top.size else np.inf
        made.append(PlainDetector(name, scorers, limit))
    return made


def _rows(parts: list[Floats]) -> Floats:
    rows = np.concatenate(parts)
    rows = rows[np.isfinite(rows).all(axis=1)]
    if rows.shape[0] > MOST_ROWS:
        rows = rows[:: rows.shape[0] // MOST_ROWS + 1]
    return np.asarray(rows)


def _forest(rows: Floats) -> Scorer:
    from sklearn.ensemble import IsolationForest

    if rows.shape[0] < 10:
        return _silent
    forest = IsolationForest(random_state=0).fit(rows)

    def score(values: Floats) -> Floats:
        good = np.isfinite(values).all(axis=1)
        out = np.full(len(values), np.nan)
        if good.any():
            out[good] = -forest.score_samples(values[good])
        return out

    return score


def _spline(rows: Floats) -> Scorer:
    from sklearn.linear_model import Ridge
    from sklearn.pipeline import make_pipeline
    from sklearn.preprocessing import SplineTransformer

    if rows.shape[0] < 10 * KNOTS:
        return _silent
    curve = make_pipeline(
        SplineTransformer(n_knots=KNOTS, extrapolation="constant"), Ridge(alpha=1e-3)
    ).fit(rows[:, :1], rows[:, 1])
    scale = max(spread(rows[:, 1] - curve.predict(rows[:, :1])), 1e-9)

    def score(values: Floats) -> Floats:
        good = np.isfinite(values).all(axis=1)
        out = np.full(len(values), np.nan)
        if good.any():
            out[good] = np.abs(values[good, 1] - curve.predict(values[good, :1])) / scale
        return out

    return score


def _silent(values: Floats) -> Floats:
    return np.full(len(values), np.nan)
