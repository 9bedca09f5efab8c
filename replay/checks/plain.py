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
from replay.models import robust
from replay.models.bins import Bins, Floats
from replay.models.readings import Reading
from replay.models.symptoms.marks import runs

JOIN_S = 3.0
MOST_ROWS = 20_000
KNOTS = 8

Scorer = Callable[[Bins], Floats]


@dataclass(slots=True)
class PlainDetector:
    """One of the two, fitted on healthy readings."""

    name: str
    scorers: dict[str, Scorer]
    limit: float

    def raise_flags(self, reading: Reading) -> list[Raised]:
        """Return the stretches whose score is above the limit."""
        scorer = self.scorers.get(reading.unit)
        if scorer is None or not len(reading.bins):
            return []
        first, last = runs(scorer(reading.bins) > self.limit)
        made: list[Raised] = []
        for a, b in zip(first, last, strict=True):
            start = reading.start + timedelta(seconds=float(reading.bins.start_s[a]))
            end = reading.start + timedelta(seconds=float(reading.bins.end_s[b]))
            if made and (start - made[-1].end).total_seconds() < JOIN_S:
                start = made.pop().start
            made.append(Raised(reading.session, reading.joint, "unusual", start, end))
        return made


def plain_detectors(healthy: list[Reading], asked: float) -> list[PlainDetector]:
    """Fit both detectors and set their limits at the asked rate per 100 h."""
    by_unit: dict[str, list[Reading]] = {}
    for reading in healthy:
        by_unit.setdefault(reading.unit, []).append(reading)
    made = []
    for name, fit in (("isolation forest", _forest), ("spline and robust z", _spline)):
        scorers = {unit: fit(_rows(mine)) for unit, mine in sorted(by_unit.items())}
        top = np.array(
            [np.nanmax(scorers[r.unit](r.bins), initial=-np.inf) for r in healthy if len(r.bins)]
        )
        hours = sum(r.hours for r in healthy)
        allowed = int(asked * hours / 100)
        limit = float(np.sort(top)[::-1][min(allowed, top.size - 1)]) if top.size else np.inf
        made.append(PlainDetector(name, scorers, limit))
    return made


def _rows(readings: list[Reading]) -> Floats:
    parts = [np.column_stack([r.bins.rate, r.bins.current]) for r in readings]
    rows = np.concatenate(parts)
    rows = rows[np.isfinite(rows).all(axis=1)]
    return np.asarray(rows[:: max(1, rows.shape[0] // MOST_ROWS)])


def _forest(rows: Floats) -> Scorer:
    from sklearn.ensemble import IsolationForest

    if rows.shape[0] < 10:
        return _silent
    forest = IsolationForest(random_state=0).fit(rows)

    def score(bins: Bins) -> Floats:
        values = np.column_stack([bins.rate, bins.current])
        good = np.isfinite(values).all(axis=1)
        out = np.full(len(bins), np.nan)
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
    scale = max(robust.spread(rows[:, 1] - curve.predict(rows[:, :1])), 1e-9)

    def score(bins: Bins) -> Floats:
        good = np.isfinite(bins.rate) & np.isfinite(bins.current)
        out = np.full(len(bins), np.nan)
        if good.any():
            out[good] = np.abs(bins.current[good] - curve.predict(bins.rate[good, None])) / scale
        return out

    return score


def _silent(bins: Bins) -> Floats:
    return np.full(len(bins), np.nan)
