"""Patterns inside short windows: stick-slip, ripple, chatter.

A window of two seconds of motion becomes a few features of roughness, each
put beside what is usual at that speed; a robust covariance (scikit-learn's
minimum covariance determinant) turns them into one distance. What is kept is
the centre and the inverse covariance: plain numbers.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from replay.models.bins import MOVING, Floats
from replay.models.trace import Statistic, Trace, rolling_mean, settling_s

WINDOWS_S = (2.0, 8.0)
FEWEST_WINDOWS = 60
MOST_WINDOWS = 500
"""Plenty for a covariance of four features; its search takes most of the time to learn."""

SPEED_CELLS = 5
FEATURES = ("current_sd", "current_jag", "rate_sd", "bin_to_bin")


@dataclass(slots=True)
class PatternModel:
    """Usual roughness of one unit.

    ``usual`` holds each feature's median by speed cell; ``centre`` and
    ``precision`` describe what is left of the log features.
    """

    edges: Floats
    usual: Floats
    centre: Floats
    precision: Floats
    kept: npt.NDArray[np.int64]
    window_s: float

    @classmethod
    def learn(
        cls, traces: list[Trace], window_s: float, *, random_state: int = 0
    ) -> PatternModel | None:
        """Fit on healthy traces; None when there is too little motion."""
        from sklearn.covariance import MinCovDet

        parts = [f for t in traces if (f := _features(t, window_s)) is not None]
        if not parts:
            return None
        values = np.concatenate([p[2][::4] for p in parts])
        speed = np.concatenate([p[1][::4] for p in parts])
        good = np.isfinite(values).mean(axis=0) > 0.8
        lively = np.array(
            [
                np.ptp(c[np.isfinite(c)]) > 1e-6 if g else False
                for c, g in zip(values.T, good, strict=True)
            ]
        )
        kept = np.flatnonzero(good & lively)
        rows = np.isfinite(values[:, kept]).all(axis=1)
        if kept.size < 2 or rows.sum() < FEWEST_WINDOWS:
            return None
        values, speed = values[rows][:, kept], speed[rows]
        step = max(1, -(-values.shape[0] // MOST_WINDOWS))
        values, speed = values[::step], speed[::step]
        edges = np.unique(np.quantile(speed, np.linspace(0, 1, SPEED_CELLS + 1)[1:-1]))
        cell = np.searchsorted(edges, speed)
        whole = np.median(values, axis=0)
        usual = np.array(
            [
                np.median(values[cell == k], axis=0) if (cell == k).sum() >= 10 else whole
                for k in range(edges.size + 1)
            ]
        )
        left = values - usual[cell]
        # a channel that hardly varies must not make every change a wonder
        jitter = np.random.default_rng(random_state).normal(0.0, 0.03, left.shape)
        fitted = MinCovDet(random_state=random_state, support_fraction=0.8).fit(left + jitter)
        return cls(
            edges, usual, fitted.location_, np.linalg.inv(fitted.covariance_), kept, window_s
        )

    def score(self, trace: Trace) -> list[Statistic]:
        """Return the distance of each window towards more roughness."""
        got = _features(trace, self.window_s)
        if got is None:
            return []
        rows, speed, values = got
        values = values[:, self.kept]
        left = values - self.usual[np.searchsorted(self.edges, speed)] - self.centre
        up = np.maximum(left, 0.0)  # smoother than usual is no fault
        square = np.einsum("ij,jk,ik->i", up, self.precision, up)
        return [
            Statistic(
                f"pattern {self.window_s:g}s",
                rows,
                np.sqrt(np.maximum(square, 0.0)),
                self.window_s,
            )
        ]

    def to_plain(self) -> dict[str, Any]:
        """Return what JSON holds."""
        return {
            "edges": self.edges.tolist(),
            "usual": self.usual.tolist(),
            "centre": self.centre.tolist(),
            "precision": self.precision.tolist(),
            "kept": self.kept.tolist(),
            "window_s": self.window_s,
        }

    @classmethod
    def from_plain(cls, data: dict[str, Any]) -> PatternModel:
        """Rebuild from `to_plain`."""
        return cls(
            np.array(data["edges"]),
            np.array(data["usual"]),
            np.array(data["centre"]),
            np.array(data["precision"]),
            np.array(data["kept"], dtype=np.int64),
            data["window_s"],
        )


def _features(trace: Trace, window_s: float) -> tuple[npt.NDArray[np.int64], Floats, Floats] | None:
    bins = trace.bins
    moving = bins.motion == MOVING
    rows = np.flatnonzero(trace.seen & moving & (bins.settled > settling_s(bins, 0.5)))
    if rows.size < 5:
        return None
    weight = trace.seconds[rows]
    per_bin = float(np.median(bins.count[rows]))
    rest = trace.rest[rows]
    apart = np.diff(bins.start_s[rows], prepend=-np.inf) > 1.0
    turned = np.diff(bins.direction[rows], prepend=0) != 0
    jump = np.where(apart | turned, np.nan, np.abs(np.diff(rest, prepend=np.nan)))
    columns = []
    inside = bins.current_sd[rows] if per_bin >= 3 else np.full(rows.size, np.nan)
    rough = bins.rate_sd[rows] if per_bin >= 3 else np.full(rows.size, np.nan)
    for value in (inside, bins.current_jag[rows], rough, jump):
        known = np.isfinite(value).astype(np.float64)
        top = rolling_mean(np.nan_to_num(value), weight, window_s)
        share = rolling_mean(known, weight, window_s)
        mean = np.where(share > 0.3, top / np.maximum(share, 1e-9), np.nan)
        small = np.nanmedian(mean) if np.isfinite(mean).any() else 1.0
        columns.append(np.log(mean + 0.02 * max(float(small), 1e-9)))
    speed = rolling_mean(np.abs(bins.rate[rows]), weight, window_s)
    full = np.isfinite(speed)
    return (rows[full], speed[full], np.column_stack(columns)[full]) if full.any() else None
