"""How fast a level moves, told from its conditions, whose effects others partly know.

One model for a series: levels and a course, effects of conditions about which something may
be known beforehand (N. M. Laird, J. H. Ware, *Biometrics* 38 (1982) 963-974), a noise of
each value, and an offset that neighbours share and that fades (`shared_offsets`). Values
far off are brought in to where Huber's function has them, and what is left is scaled up by
what that lost (pseudo-values: P. J. Huber, E. M. Ronchetti, *Robust Statistics*, 2nd ed.
2009, 7.6), so that their spread is that of the estimate.

The slope is that of the straight line nearest to the course at the times there are, so a
bend of the course is no error of it. Conditions and offsets are: a slope's variance is that
of one linear function of all values, not a product of prices. How large offsets are and how
long they stay is not known from one series: each possibility has its Student's law, and
the interval is that of their mixture, weighed by the restricted likelihood and by what is
known beforehand (`chances`), for instance from other series of a kind. So is whether the
level stepped where a search found that it may have: a stretch with an offset looks like a
step, and a slope that takes the step for granted has been told by the noise where to look.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr, stdtrit

from replay.statistics.mixed_model import Fitted, Model, Offset, Steps
from replay.statistics.regression import HUBER, huber, least_squares
from replay.statistics.shared_offsets import (
    LEAST,
    LONGEST,
    NONE,
    SHARES,
    SHORT,
    STAYS,
    Floats,
    offset_precision,
)

POSSIBILITIES = 1 + len(STAYS) * len(SHARES)
"""No offset, and each share for each stay."""

CHANCES: Floats = np.r_[NONE, np.full(POSSIBILITIES - 1, (1 - NONE) / (POSSIBILITIES - 1))]
"""Of the possibilities, where nothing is known of other series."""

NEGLIGIBLE = 1e-4


@dataclass(frozen=True, slots=True)
class Known:
    """What is known beforehand of the effects of conditions, in the values' unit."""

    mean: Floats
    """Of shape (q,)."""
    precision: Floats
    """Inverse covariance, of shape (q, q); nought where nothing is known."""


@dataclass(frozen=True, slots=True)
class MixedFit:
    """A series fitted under every possibility of shared offsets."""

    log_likelihoods: Floats
    """Restricted, of shape (`POSSIBILITIES`,), the first nought; -inf where not possible."""
    effects: Floats
    """Of the conditions, averaged, of shape (q,)."""
    covariance: Floats
    """Of `effects`, of shape (q, q), what is not known of the offsets included."""
    weights: Floats
    """Of the possibilities that count, of shape (k,)."""
    centres: Floats
    """Slopes, of shape (k,)."""
    errors: Floats
    """Their standard errors, of shape (k,)."""
    freedom: float
    offset_factor: float
    """By how much offsets raise the variance of a slope, at least 1."""

    @property
    def slope(self) -> float:
        """The mean of the mixture."""
        return float(self.weights @ self.centres)

    def below(self, value: float) -> float:
        """Return the chance that the slope is below a value."""
        return float(self.weights @ stdtr(self.freedom, (value - self.centres) / self.errors))

    def interval(self, confidence: float) -> tuple[float, float]:
        """Return the ends that leave equal chances outside."""
        tail = (1 - confidence) / 2
        return self._quantile(tail), self._quantile(1 - tail)

    def _quantile(self, chance: float) -> float:
        """Return where the mixture reaches a chance: between where its laws do."""
        from scipy.optimize import brentq

        own = self.centres + self.errors * float(stdtrit(self.freedom, chance))
        low, high = float(own.min()), float(own.max())
        least = 1e-9 * (abs(self.slope) + float(self.errors.max()))
        if high - low <= least or not self.below(low) < chance < self.below(high):
            return (low + high) / 2
        found = brentq(lambda v: self.below(v) - chance, low, high, xtol=least)
        return float(found)


def mixed_fit(
    times: Floats,
    values: Floats,
    levels: Floats,
    course: Floats,
    conditions: Floats,
    *,
    own: Floats | None = None,
    known: Known | None = None,
    course_spread: float | None = None,
    chances: Floats | None = None,
    steps: Steps | None = None,
) -> MixedFit:
    """Fit a series under every possibility of shared offsets, with steps and without.

    Parameters
    ----------
    times : array of shape (n,), in order
    values : array of shape (n,)
    levels : array of shape (n, s)
        One column a section, 1 within it.
    course : array of shape (n, k)
        How the level moves besides a straight line.
    conditions : array of shape (n, q)
    own : array of shape (n,), optional
        Variances of each value's own noise, up to a factor.
    known : Known, optional
    course_spread : float, optional
        Standard deviation of the course's coefficients, before this series says anything.
    chances : array of shape (`POSSIBILITIES`,), optional
        Of the possibilities, before this series says anything.
    steps : Steps, optional
        That the level may have taken: what follows is weighed with them and without.
    """
    n, q = conditions.shape
    span = float(np.ptp(times))
    x = (times - times.mean()) / span
    own = np.ones(n) if own is None else own / np.mean(own)
    mean = np.zeros(q) if known is None else known.mean
    precision = np.zeros((q, q)) if known is None else known.precision
    stepped = np.zeros((n, 0)) if steps is None else steps.columns
    design = np.column_stack([levels, x, course, stepped, conditions])
    first = design.shape[1] - q
    bends = range(levels.shape[1] + 1, levels.shape[1] + 1 + course.shape[1])
    prior = np.zeros((first + q, first + q))
    prior[first:, first:] = precision
    if course_spread is not None:
        prior[bends, bends] = course_spread**-2.0
    if steps is not None:
        own_steps = range(bends.stop, first)
        prior[own_steps, own_steps] = steps.spread**-2.0
    y, inside = _tamed(design, values - conditions @ mean, own, prior)
    # Huber's correction for as many coefficients beside so many values (the same, 7.6)
    dearer = (1 + design.shape[1] / n * (1 - inside) / inside) ** 2
    places, offsets = _possibilities(times, span, n)
    before = np.maximum(CHANCES if chances is None else chances, 1e-12)[places]

    def fitted(without: int) -> tuple[Model, Fitted, Floats]:
        """Return model, fits and logs of their chances, the last steps left out."""
        kept = np.r_[: first - without, first : first + q]
        own_prior = prior[np.ix_(kept, kept)]
        apart = np.column_stack([levels, stepped[:, : stepped.shape[1] - without]])
        along = _line(apart, x, own)
        shown = design[:, kept]
        model = Model(shown, y, own, own_prior, along, first - without, dearer)
        found = model.fitted(offsets)
        told = own_prior.diagonal()[own_prior.diagonal() > 0]
        size = float(np.log(model.noise_variance * told).sum()) / 2
        return model, found, np.log(before) + found.log_likelihood + size

    model, found, log_chances = fitted(0)
    logs = np.full(POSSIBILITIES, -np.inf)
    logs[places] = found.log_likelihood - found.log_likelihood[0]
    if steps is not None:
        _, plain, log_plain = fitted(stepped.shape[1])
        found = found.beside(plain)
        log_chances = np.r_[log_chances + np.log(steps.chance), log_plain + np.log1p(-steps.chance)]
    weights = np.exp(log_chances - log_chances.max())
    weights = weights / weights.sum()
    middle = weights @ found.effects
    apart = found.effects - middle
    covariance = np.einsum("k,kij->ij", weights, found.covariance)
    covariance = covariance + (weights[:, None] * apart).T @ apart
    factor = float(weights @ found.offset_factor)
    count = weights > NEGLIGIBLE
    return MixedFit(
        log_likelihoods=logs,
        effects=middle + mean,
        covariance=covariance,
        weights=weights[count] / weights[count].sum(),
        centres=found.slope[count] / span,
        errors=found.error[count] / span,
        freedom=model.freedom,
        offset_factor=max(factor, 1.0),
    )


def _possibilities(times: Floats, span: float, n: int) -> tuple[list[int], list[Offset]]:
    """Return the places of the possibilities that may be, no offset first, and the offsets."""
    if n < LEAST:
        return [0], []
    gaps = np.maximum(np.diff(times), 1e-6 * span)
    usual = span / (n - 1)
    places, made = [0], []
    for k, stay in enumerate(STAYS * usual):
        if stay > max(LONGEST * span, SHORT * usual):
            break
        precision = offset_precision(gaps, stay)
        for j, share in enumerate(SHARES):
            places.append(1 + k * len(SHARES) + j)
            made.append(Offset(*precision, ratio=float(share / (1 - share))))
    return places, made


def _tamed(design: Floats, y: Floats, own: Floats, prior: Floats) -> tuple[Floats, float]:
    """Return pseudo-values, and the share that was not brought in."""
    if len(y) < 2 * design.shape[1]:  # none stands out where columns go through half of them
        return y, 1.0
    fit = huber(design, y, 1.0 / own, prior=prior if prior.any() else None)
    level = float(np.max(np.abs(y))) or 1.0
    scale = max(fit.scale, 1e-9 * level)
    bound = HUBER * scale * np.sqrt(own)
    inside = float(np.mean(np.abs(fit.residuals) <= bound))
    brought = np.clip(fit.residuals, -bound, bound) / max(inside, 0.5)
    return y - fit.residuals + brought, max(inside, 0.5)


def _line(levels: Floats, x: Floats, own: Floats) -> Floats:
    """Return what each value counts in the slope of the nearest line, own levels a section."""
    w = 1.0 / own
    counts = w * (x - levels @ least_squares(levels, x, w))
    return np.asarray(counts / (counts @ x), dtype=float)
