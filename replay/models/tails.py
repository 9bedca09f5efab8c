"""How rare a value is in healthy sessions, and how sure that is.

Neighbouring samples are not independent, so nothing here counts samples. A
block is one joint in one session (or ten minutes of it); a detector's largest
value in each block is what its tail is fitted to. The rate of events above a
level follows from the share of blocks that stay below it. Confidence bounds
count sessions, the only units that may pass as independent.

Split-conformal levels: Vovk, Gammerman and Shafer, "Algorithmic Learning in a
Random World", 2005. Excesses over a level as a generalised Pareto law:
Pickands, Annals of Statistics 3(1), 1975. Bound on a Poisson rate: Garwood,
Biometrika 28, 1936. False discovery rate: Benjamini and Hochberg, J. Royal
Statistical Society B 57(1), 1995.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from replay.models.bins import Floats

Trust = Literal["low", "middle", "high"]

NOTHING = 1e3
"""Rate of a detector that has nothing to say: a thousand times an hour."""

SHAPE = 0.1
"""Pareto shape of every detector's tail: a little heavier than exponential, as
maxima over units and tasks of somewhat different spreads are. One detector's few
hundred blocks tell its scale but not its shape: estimated one by one, shapes
came out anywhere from 0 to 0.4, and the lightest raised the false flags while
the heaviest hid faults. Of 0 to 0.3 this told faults from healthy sessions best
on simulated arms."""

SHAPE_OF_FEW = 0.05
"""The same where few blocks are there: their tail begins at the median already, and
the law of the bulk is lighter."""

STEEPEST = 0.5
"""How much faster than its detectors' own laws, which are a little too heavy,
their rarest may fall off where there are blocks enough to show it."""

FURTHER = np.log(10.0)
"""The steeper law is followed to a tenth of the rate that the blocks show; from
there on it is the detectors' own, a factor 10 a unit."""

PLAIN_BLOCKS = 60
"""From so many blocks the largest few are told apart from chance."""

SLOWEST = 1.2
"""How much slower than its detectors' own laws their rarest may fall off while
faults are still to be taken out."""

PRIOR_RATE, PRIOR_SCALE = 0.05, 1.0
"""A finding that healthy sessions never show: events per joint-hour above 0,
and how fast that falls with size. Common practice, no source."""

LEAST_SCALE = 0.2
"""No detector's tail falls off faster, in healthy spreads: the largest of many
normal values falls off like this (scale 1 / sqrt(2 ln n) of a normal law)."""

PLENTY = 20
"""From so many blocks that show something, its sizes are known well enough."""

COMMON = 0.15
"""The largest sizes of a finding in fewer blocks than this may be faults hidden in
training."""

RARE = 0.05
"""All sizes of a finding in fewer blocks than this may be."""


@dataclass(frozen=True, slots=True)
class Tail:
    """Rate of healthy events above a level: empirical, then extrapolated.

    ``level`` is where the fitted tail begins, ``base_rate`` the rate of events
    above it per joint-hour, ``scale`` and ``shape`` the Pareto law of excesses.
    Beyond ``knee`` an exponential law falls off by a factor 10 a unit.
    """

    level: float
    base_rate: float
    scale: float
    shape: float
    knee: float | None = None

    @classmethod
    def fit(
        cls, maxima: Floats, block_hours: float, *, trust: Trust, finding: bool = False
    ) -> Tail:
        """Fit to block maxima.

        Parameters
        ----------
        maxima : array, shape (blocks,)
        block_hours : float
            Mean length of a block.
        trust : {"low", "middle", "high"}
            How far up the maxima may be believed. ``low`` before faults hidden
            in training are taken out: an eighth of the blocks may be bad.
            ``middle`` after that, or with few blocks. ``high``: matched to the
            upper fifth, up to the second or third largest.
        finding : bool
            True for what most healthy blocks show none of (a slip, a
            silence). While few blocks show it, their sizes may all be faults,
            and the law is the prior one; while not many do, half of them.
        """
        values = np.sort(maxima[np.isfinite(maxima)])
        if values.size < 8 or values[-1] <= 0:
            return cls(0.0, PRIOR_RATE, PRIOR_SCALE, 0.0)
        low, mid, high = _levels(values.size, trust)
        q0, q1, q2 = (float(np.quantile(values, q)) for q in (low, mid, high))
        rate = -np.log(low) / block_hours
        if q1 - q0 < 1e-9 or q0 <= 0:  # most blocks show nothing: the law is of those that do
            positive = values[values > q0]
            if positive.size < 3:
                return cls(q0, PRIOR_RATE, PRIOR_SCALE, 0.0)
            share = min(positive.size / values.size, 0.99)
            if finding and share < RARE:
                return cls(0.0, PRIOR_RATE, PRIOR_SCALE, 0.0)
            start = float(positive[0])
            over = positive - start
            scale = float(np.median(over)) / np.log(2)
            if not finding or share >= COMMON:
                scale = max(scale, float(np.quantile(over, 0.9)) / np.log(10))
            known = positive.size >= PLENTY and not (finding and share < COMMON)
            scale = max(scale, LEAST_SCALE if known else 0.5 * PRIOR_SCALE)
            return cls(start, float(-np.log(1 - share) / block_hours), scale, 0.0)
        # in the rate's own scale, -ln F, excesses are Pareto
        shape = SHAPE if values.size >= PLAIN_BLOCKS else SHAPE_OF_FEW
        near, far = (np.expm1(shape * np.log(np.log(low) / np.log(q))) / shape for q in (mid, high))
        scale = max(0.5 * ((q1 - q0) / near + (q2 - q0) / far), LEAST_SCALE)
        return cls(q0, float(rate), float(scale), shape)

    @classmethod
    def fit_rarity(cls, maxima: Floats, block_hours: float, *, trust: Trust) -> Tail:
        """Fit to block maxima of ``-log10`` of the rarest detector's rate.

        Each detector's tail is extrapolated already, so here the law is
        exponential, about a factor 10 a unit. The maxima are best of blocks
        that the detectors' tails were not fitted to.
        """
        values = maxima[np.isfinite(maxima)]
        if values.size < 8:
            return cls(0.0, 1.0, 1 / np.log(10), 0.0)
        low, _, high = _levels(values.size, trust)
        start, top = (float(np.quantile(values, q)) for q in (low, high))
        span = float(np.log(np.log(low) / np.log(high)))
        steep = STEEPEST if trust == "high" and values.size >= PLAIN_BLOCKS else 1.0
        scale = max(steep / np.log(10), (top - start) / span)
        if trust == "low":  # faults would pass for a slow law
            scale = min(scale, SLOWEST / np.log(10))
        knee = start + scale * (span + FURTHER) if scale < 1 / np.log(10) else None
        return cls(start, float(-np.log(low) / block_hours), scale, 0.0, knee)

    def rate(self, value: Floats | float) -> Floats:
        """Return events per joint-hour at least this large.

        Up to the level there is nothing to tell: `NOTHING`.
        """
        size = np.asarray(value, dtype=np.float64)
        near = size if self.knee is None else np.minimum(size, self.knee)
        excess = np.maximum(near - self.level, 0.0) / self.scale
        if self.knee is not None:
            excess = excess + np.maximum(size - self.knee, 0.0) * np.log(10)
        if self.shape > 1e-6:
            part = (1 + self.shape * excess) ** (-1 / self.shape)
        else:
            part = np.exp(-excess)
        return np.asarray(np.where(size > self.level, self.base_rate * part, NOTHING))

    def value(self, rate: float) -> float:
        """Return the level that events of this rate exceed."""
        part = max(self.base_rate / max(rate, 1e-300), 1.0)
        if self.shape > 1e-6:
            return float(self.level + self.scale * (part**self.shape - 1) / self.shape)
        excess = np.log(part)
        if self.knee is not None:
            most = (self.knee - self.level) / self.scale
            if excess > most:
                return float(self.knee + (excess - most) / np.log(10))
        return float(self.level + self.scale * excess)

    def to_plain(self) -> dict[str, Any]:
        """Return what JSON holds."""
        return {
            "level": self.level,
            "base_rate": self.base_rate,
            "scale": self.scale,
            "shape": self.shape,
            "knee": self.knee,
        }


def _levels(size: int, trust: Trust) -> tuple[float, float, float]:
    """Return the three quantiles that a tail is matched at."""
    if trust == "low":
        return 0.4, 0.65, 0.87
    if trust == "middle" or size < PLAIN_BLOCKS:
        return 0.5, 0.8, 0.94
    return 0.8, 0.93, float(np.clip(1 - 2.5 / size, 0.95, 0.995))
