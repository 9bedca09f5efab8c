"""Outliers of a joint's current, in scikit-learn's conventions.

For arrays that come from anywhere. Standing still and moving are different
populations: each has its own expectation (a robust fit on speed by direction
and on whatever else is given) and its own law of what is left, so that a
current odd for a joint at rest is not lost among the wide ones of motion.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from sklearn.base import BaseEstimator, OutlierMixin
from sklearn.utils.validation import check_is_fitted, validate_data

from replay.errors import UsageError
from replay.models import robust
from replay.models.bins import Floats
from replay.signals.motion.segments import still_band

FEWEST = 30
"""Rows that a population needs for a fit of its own."""

MOST_STILL = 0.05
"""A speed above this share of the top speed never counts as standing still."""

KNEE_SHARE = 0.1
"""Share of the training rows beyond which the law of the tail takes over."""

FAR = 0.975
"""The quantile that, with the knee, sets that law."""

STEEPEST = 14.0
"""Bound on the law's power, for rows with hardly any tail (a normal law's is about 4.5)."""


class CurrentOutlier(OutlierMixin, BaseEstimator):  # type: ignore[misc]
    """Outlier score of a motor current given the motion that it served.

    Parameters
    ----------
    contamination : float, default=0.01
        Share of the training rows that `predict` calls outliers, in (0, 0.5].
    still_below : float or None, default=None
        Speed below which a joint stands still, in the unit of the speed
        column; None: what the crowd of speeds at rest says
        (`replay.signals.motion.segments.still_band`), at most a twentieth of the top
        speed.

    Attributes
    ----------
    still_below_ : float
    offset_ : float
        ``decision_function = score_samples - offset_``.
    fits_ : dict
        Population (True: still) to coefficients, scale and sorted sizes.
    tail_slope_ : float
        Power of the law that continues the tail of the sizes.

    Notes
    -----
    The first column of ``X`` is the current, the second the speed, signed;
    further columns (acceleration, temperature, load) explain linearly. With a
    single column, the current is judged by itself.

    Examples
    --------
    >>> import numpy as np
    >>> rng = np.random.default_rng(0)
    >>> speed = np.repeat([-2.0, 0.0, 2.0], 200)
    >>> current = np.sign(speed) + 0.1 * rng.normal(size=600)
    >>> current[300] = 1.0  # at rest, where 0 is expected
    >>> model = CurrentOutlier().fit(np.column_stack([current, speed]))
    >>> int(np.argmin(model.score_samples(np.column_stack([current, speed]))))
    300
    """

    def __init__(self, contamination: float = 0.01, still_below: float | None = None) -> None:
        self.contamination = contamination
        self.still_below = still_below

    def fit(self, X: npt.ArrayLike, y: object = None) -> CurrentOutlier:
        """Fit both populations; ``y`` is ignored."""
        if not 0 < self.contamination <= 0.5:
            raise UsageError(
                f"contamination is {self.contamination}", todo="give a share in (0, 0.5]"
            )
        rows = validate_data(self, X, dtype=np.float64, ensure_min_samples=2)
        speed = rows[:, 1] if rows.shape[1] > 1 else np.zeros(rows.shape[0])
        top = float(np.quantile(np.abs(speed), 0.995))
        band = min(still_band(speed, float("inf")), MOST_STILL * top)
        self.still_below_ = band if self.still_below is None else self.still_below
        self.centre_ = np.median(rows, axis=0)
        width = np.array([robust.spread(c) for c in rows.T])
        plain = rows.std(axis=0)
        self.width_ = np.where(width > 0, width, np.where(plain > 0, plain, 1.0))
        self.fits_: dict[bool, dict[str, Any]] = {}
        still = np.abs(speed) <= self.still_below_
        for kind in (True, False):
            mine = rows[still == kind]
            if mine.shape[0] >= FEWEST:
                self.fits_[kind] = self._fit_one(mine, kind)
        if not self.fits_:
            self.fits_[True] = self._fit_one(rows, True)
        self.tail_slope_ = _tail_slope([f["sizes"] for f in self.fits_.values()])
        self.offset_ = float(np.quantile(self.score_samples(rows), self.contamination))
        return self

    def score_samples(self, X: npt.ArrayLike) -> Floats:
        """Return the log of the share of healthy rows at least this far off.

        Beyond nine tenths of the training rows the tail is a power law, so
        that larger departures keep a lower score.
        """
        check_is_fitted(self)
        rows = validate_data(self, X, dtype=np.float64, reset=False)
        speed = rows[:, 1] if rows.shape[1] > 1 else np.zeros(rows.shape[0])
        still = np.abs(speed) <= self.still_below_
        score = np.zeros(rows.shape[0])
        for kind in (True, False):
            mine = still == kind
            if not mine.any():
                continue
            fit = self.fits_.get(kind) or next(iter(self.fits_.values()))
            size = np.abs(rows[mine, 0] - self._design(rows[mine], fit["still"]) @ fit["beta"])
            score[mine] = _log_share(size / fit["scale"], fit["sizes"], self.tail_slope_)
        return score

    def decision_function(self, X: npt.ArrayLike) -> Floats:
        """Return the score less the limit: negative for outliers."""
        return self.score_samples(X) - self.offset_

    def predict(self, X: npt.ArrayLike) -> npt.NDArray[np.int64]:
        """Return 1 for inliers and -1 for outliers."""
        return np.where(self.decision_function(X) < 0, -1, 1)

    def _fit_one(self, rows: Floats, still: bool) -> dict[str, Any]:
        design = self._design(rows, still)
        step = max(1, rows.shape[0] // 20_000)
        beta, _, _ = robust.fit(design[::step], rows[::step, 0])
        size = np.abs(rows[:, 0] - design @ beta)
        scale = max(robust.spread_about_zero(size), 1e-9 * max(float(self.width_[0]), 1e-300))
        return {"beta": beta, "scale": scale, "sizes": np.sort(size / scale), "still": still}

    def _design(self, rows: Floats, still: bool) -> Floats:
        more = (rows[:, 2:] - self.centre_[2:]) / self.width_[2:]
        one = np.ones(rows.shape[0])
        if still or rows.shape[1] < 2:
            return np.column_stack([one, more])
        v = rows[:, 1] / self.width_[1]
        forward = (v > 0).astype(np.float64)
        return np.column_stack([one, forward, v, forward * v, np.abs(v) * v, more])


def _knee(known: Floats) -> float:
    return max(float(np.quantile(known, 1 - KNEE_SHARE)), 1e-12)


def _tail_slope(populations: list[Floats]) -> float:
    """Power of the tail's law, from all populations together.

    Each is measured by its own knee; one population's few extremes alone
    would make the two scores incomparable.
    """
    further = float(np.quantile(np.concatenate([p / _knee(p) for p in populations]), FAR))
    return float(np.log(KNEE_SHARE / (1 - FAR)) / max(np.log(max(further, 1.0)), 1.0 / STEEPEST))


def _log_share(size: Floats, known: Floats, slope: float) -> Floats:
    """Log of the share of ``known`` (sorted) sizes that reach each size.

    Counted up to the knee, and a power law beyond it: ranks alone would give
    the wildest row of a small population no lower a score than an ordinary
    extreme of a large one.
    """
    n = known.size
    above = n - np.searchsorted(known, size, side="left")
    inside = np.log((above + 1.0) / (n + 1.0))
    tail = np.log(KNEE_SHARE) - slope * np.log(np.maximum(size / _knee(known), 1.0))
    # a hair of the size itself, so that equal ranks keep their order
    return np.asarray(np.where(tail < np.log(KNEE_SHARE), tail, inside) - 1e-6 * np.log1p(size))
