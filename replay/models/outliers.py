"""Outliers of motor currents in a plain table, in scikit-learn's conventions.

For arrays that come from anywhere: one joint, a pump, the axes of a mill, all joints of
an arm at once. Rest and motion are different populations: each has its own expectation of
every current (robust fit on speed by direction and on whatever else is given) and its own
spread, so that a current odd for a machine at rest is not lost among the wide ones of
motion. Several currents are judged together, by their robust distance (Rousseeuw & Van
Driessen 1999): what holds an arm is shared among its joints. A row's score is the log of
the share of training rows that stand off as far.

Longer than 245 lines because an estimator and its documentation stand in one place.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from sklearn.base import BaseEstimator, OutlierMixin
from sklearn.covariance import MinCovDet
from sklearn.utils.validation import check_is_fitted, validate_data

from replay.errors import UsageError
from replay.models.residuals import Flags, Floats
from replay.models.units.least_squares import cauchy_weights
from replay.signals.motion.segments import still_band
from replay.statistics.spread import MAD_TO_SD_TABLE

FEWEST = 30
"""Rows that a population needs for a fit of its own."""
MOST_STILL = 0.05
"""A speed above this share of the top speed never counts as standing still."""
KNEE = 0.1
"""Share of the training rows beyond which a power law continues the tail."""
FAR = 0.025
"""The share that, with the knee, sets that law."""
STEEPEST = 14.0
"""Bound on the law's power, for rows with hardly any tail (a normal law's is about 4.5)."""
ALLOWED = {"channels": "a whole number from 1 on", "contamination": "a share in (0, 0.5]"}


@dataclass(frozen=True, slots=True)
class Population:
    """One population's law: coefficients (p, channels), spreads, whitening, sorted distances."""

    coef: Floats
    spread: Floats
    whiten: Floats
    sizes: Floats


class CurrentOutlier(OutlierMixin, BaseEstimator):  # type: ignore[misc]
    """Outlier score of motor currents given the motion that they served.

    Parameters
    ----------
    contamination : float, default=0.01
        Share of the training rows that `predict` calls outliers, in (0, 0.5].
    still_below : float or None, default=None
        Speed below which a channel stands still, in the unit of the speed columns;
        None: what the crowd of speeds at rest says, at most a twentieth of the top speed.
    channels : int, default=1
        How many currents a row has.
    random_state : int, RandomState or None, default=0
        Of the draws by which several currents' common spread is sought.

    Attributes
    ----------
    still_below_ : ndarray of shape (channels,)
    offset_ : float
        ``decision_function = score_samples - offset_``.
    populations_ : dict
        True (everything still) and False (anything moving) to `Population`.
    tail_slope_ : float
        Power of the law that continues the tail of the sizes.

    Notes
    -----
    ``X`` begins with the currents, then their speeds, signed, in the same order; further
    columns (acceleration, temperature, load) explain linearly. Without room for speeds
    every row counts as still and the other columns are conditions.

    References
    ----------
    Cauchy weights: Holland & Welsch, Communications in Statistics A6, 1977. Minimum
    covariance determinant: Rousseeuw & Van Driessen, Technometrics 41, 1999.

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

    def __init__(
        self,
        contamination: float = 0.01,
        still_below: float | None = None,
        channels: int = 1,
        random_state: int | np.random.RandomState | None = 0,
    ) -> None:
        self.contamination = contamination
        self.still_below = still_below
        self.channels = channels
        self.random_state = random_state

    def fit(self, X: npt.ArrayLike, y: object = None) -> CurrentOutlier:
        """Fit both populations; ``y`` is ignored."""
        if not 0 < self.contamination <= 0.5:
            raise _refused("contamination", self.contamination)
        rows = validate_data(self, X, dtype=np.float64, ensure_min_samples=2)
        if self.channels < 1 or self.channels > rows.shape[1]:
            raise _refused("channels", self.channels)
        speed = self._speed(rows)
        top = np.quantile(np.abs(speed), 0.995, axis=0)
        crowd = [still_band(v, float("inf")) for v in speed.T]
        own = np.minimum(crowd, MOST_STILL * top)
        self.still_below_ = own if self.still_below is None else np.full(len(top), self.still_below)
        self.centre_ = np.median(rows, axis=0)
        self.width_ = _spread(rows - self.centre_)
        still = self._still(rows)
        self.populations_ = {
            kind: self._population(rows[still == kind], kind)
            for kind in (True, False)
            if (still == kind).sum() >= FEWEST
        }
        if not self.populations_:
            self.populations_ = {True: self._population(rows, True)}
        far = [p.sizes / _knee(p.sizes) for p in self.populations_.values()]
        further = float(np.quantile(np.concatenate(far), 1 - FAR))
        self.tail_slope_ = float(
            np.log(KNEE / FAR) / max(np.log(max(further, 1.0)), np.log(KNEE / FAR) / STEEPEST)
        )
        self.offset_ = float(np.quantile(self.score_samples(rows), self.contamination))
        return self

    def score_samples(self, X: npt.ArrayLike) -> Floats:
        """Return the log of the share of training rows at least this far off.

        Beyond nine tenths of the training rows the tail is a power law, so that larger
        departures keep a lower score.
        """
        check_is_fitted(self)
        rows = validate_data(self, X, dtype=np.float64, reset=False)
        score = np.zeros(len(rows))
        for mine, kind, law in self._parts(rows):
            size = self._sizes(rows[mine], kind, law.coef, law.whiten)
            score[mine] = _log_share(size, law.sizes, self.tail_slope_)
        return score

    def residuals(self, X: npt.ArrayLike) -> tuple[Floats, Floats]:
        """Return what each current has beyond its expectation, and that in usual sizes.

        Returns
        -------
        residual : ndarray of shape (rows, channels)
            In the unit of the currents.
        standing_off : ndarray of shape (rows, channels)
            The same divided by the channel's own usual spread in rest or in motion.
        """
        check_is_fitted(self)
        rows = validate_data(self, X, dtype=np.float64, reset=False)
        residual = np.zeros((len(rows), self.channels))
        standing_off = np.zeros_like(residual)
        for mine, kind, law in self._parts(rows):
            residual[mine] = self._rest(rows[mine], kind, law.coef)
            standing_off[mine] = residual[mine] / law.spread
        return residual, standing_off

    def decision_function(self, X: npt.ArrayLike) -> Floats:
        """Return the score less the limit: negative for outliers."""
        return self.score_samples(X) - self.offset_

    def predict(self, X: npt.ArrayLike) -> npt.NDArray[np.int64]:
        """Return 1 for inliers and -1 for outliers."""
        return np.where(self.decision_function(X) < 0, -1, 1)

    def _speed(self, rows: Floats) -> Floats:
        k = self.channels
        return rows[:, k : 2 * k] if rows.shape[1] >= 2 * k else np.zeros((len(rows), k))

    def _still(self, rows: Floats) -> Flags:
        quiet = np.abs(self._speed(rows)) <= self.still_below_
        return np.asarray(quiet.all(axis=1), dtype=np.bool_)

    def _parts(self, rows: Floats) -> Iterator[tuple[Flags, bool, Population]]:
        """Yield each population's rows and law; one without a law borrows the other's."""
        still = self._still(rows)
        for kind in (True, False):
            mine = still == kind
            use = kind if kind in self.populations_ else not kind
            if mine.any():
                yield mine, use, self.populations_[use]

    def _design(self, rows: Floats, still: bool, channel: int) -> Floats:
        k = self.channels
        first = 2 * k if rows.shape[1] >= 2 * k else k
        more = (rows[:, first:] - self.centre_[first:]) / self.width_[first:]
        one = np.ones(len(rows))
        if still:
            return np.column_stack([one, more])
        v = self._speed(rows)[:, channel]
        v = v / max(float(np.abs(self.width_[k + channel])) if first == 2 * k else 1.0, 1e-300)
        ahead = (v > 0).astype(np.float64)
        turning = (np.abs(v) > 0).astype(np.float64)
        return np.column_stack([one, turning, ahead, v, ahead * v, np.abs(v) * v, more])

    def _population(self, rows: Floats, still: bool) -> Population:
        step = max(1, len(rows) // 20_000)
        coef = np.array(
            [
                _robust_fit(self._design(rows[::step], still, c), rows[::step, c])
                for c in range(self.channels)
            ]
        ).T
        floor = 1e-9 * np.maximum(self.width_[: self.channels], 1e-300)
        rest = self._rest(rows[::step], still, coef)
        spread = np.maximum(MAD_TO_SD_TABLE * np.median(np.abs(rest), axis=0), floor)
        whiten = _whitening(rest, spread, self.random_state)
        return Population(coef, spread, whiten, np.sort(self._sizes(rows, still, coef, whiten)))

    def _rest(self, rows: Floats, still: bool, coef: Floats) -> Floats:
        return np.column_stack(
            [rows[:, c] - self._design(rows, still, c) @ coef[:, c] for c in range(self.channels)]
        )

    def _sizes(self, rows: Floats, still: bool, coef: Floats, whiten: Floats) -> Floats:
        out: Floats = np.linalg.norm(self._rest(rows, still, coef) @ whiten, axis=1)
        return out


def _refused(name: str, value: object) -> UsageError:
    return UsageError(f"{name} is {value}", todo=f"give {ALLOWED[name]}")


def _spread(values: Floats) -> Floats:
    wide = MAD_TO_SD_TABLE * np.median(np.abs(values), axis=0)
    plain = values.std(axis=0)
    out: Floats = np.where(wide > 0, wide, np.where(plain > 0, plain, 1.0))
    return out


def _whitening(
    rest: Floats, scale: Floats, random_state: int | np.random.RandomState | None
) -> Floats:
    """Return (k, k) that turns residuals (n, k) of these spreads into independent ones of one."""
    plain = np.diag(1 / scale)
    count = rest.shape[1]
    if count == 1 or len(rest) < 10 * count or np.linalg.matrix_rank(rest - rest.mean(0)) < count:
        return plain
    near = MinCovDet(random_state=random_state).fit(rest / scale).covariance_
    near = near + 1e-6 * np.eye(count)
    out: Floats = plain @ np.linalg.cholesky(np.linalg.inv(near))
    return out


def _robust_fit(design: Floats, y: Floats) -> Floats:
    """Return least squares with Cauchy weights, ten rounds from the plain fit."""
    size = np.maximum(np.sqrt((design**2).mean(axis=0)), 1e-12)
    unit = design / size
    weight = np.ones(len(y))
    beta = np.zeros(design.shape[1])
    for _ in range(10):
        gram = (unit * weight[:, None]).T @ unit
        gram[np.diag_indices_from(gram)] += 1e-9 * len(y)
        beta = np.linalg.solve(gram, unit.T @ (weight * y))
        rest = y - unit @ beta
        scale = float(MAD_TO_SD_TABLE * np.median(np.abs(rest)))
        if scale <= 0:
            break
        weight = cauchy_weights(rest, scale, 2.385)
    out: Floats = beta / size
    return out


def _knee(sizes: Floats) -> float:
    return max(float(np.quantile(sizes, 1 - KNEE)), 1e-12)


def _log_share(size: Floats, known: Floats, slope: float) -> Floats:
    """Log of the share of ``known`` (sorted) sizes that reach each size.

    Counted up to the knee, and a power law beyond it: ranks alone would give the
    wildest row of a small population no lower a score than an ordinary extreme of a
    large one.
    """
    above = len(known) - np.searchsorted(known, size, side="left")
    inside = np.log((above + 1.0) / (len(known) + 1.0))
    tail = np.log(KNEE) - slope * np.log(np.maximum(size / _knee(known), 1.0))
    # a hair of the size itself, so that equal ranks keep their order
    return np.asarray(np.where(tail < np.log(KNEE), tail, inside) - 1e-6 * np.log1p(size))
