"""What a slope's variance costs where neighbours share an offset that stays for a while.

A month's work, a tool, a mounting adds the same to all sessions beside each other. Beside
a larger noise of each session such an offset hardly shows between two neighbours, and
yet it is what limits a slope: ten sessions that share a third of their variance say as
much about it as 2.5 that share none (10 / (1 + 9 / 3)). The correlation of neighbours
alone (`ranks.memory_factor`) supposes that memory fades by the same share at each
session, and misses it.

So the values are taken as a course, a noise of each and an offset that fades with time
(an Ornstein-Uhlenbeck process: neighbours ``d`` apart share ``exp(-d / L)`` of it). How
large it is and how long it stays are weighed by the restricted likelihood (H. D. Patterson,
R. Thompson, *Biometrika* 58 (1971) 545-554), which counts what the course has taken out,
and the factor is averaged over all that the values allow: few stretches say little about
their spread, and a single best pair would be too sure. The offsets' precision has three
diagonals (H. Rue, L. Held, *Gaussian Markov Random Fields* (2005), 1.2), so a fit costs as
much as there are values.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

SHARES: Floats = np.array([0.08, 0.2, 0.4, 0.7])
"""Shares of the variance that the offset may have."""

STAYS: Floats = np.array([1.0, 3.0, 8.0, 20.0])
"""How long it may stay, in usual gaps between values."""

LONGEST = 0.15
"""The same as a share of the history, at most: what stays longer is no offset but a course."""

NONE = 0.75
"""Chance beforehand that there is none. At a half, histories without any paid a quarter of
their certainty and held 95 % where 90 % are claimed (`tests/benchmarks/wear.py`)."""

LEAST = 12
"""With fewer values nothing is said."""


def slope_variance_factor(
    times: Floats,
    residual: Floats,
    sections: npt.NDArray[np.int64],
    weights: Floats | None = None,
) -> float:
    """Return by how much shared offsets raise the variance of a slope.

    Parameters
    ----------
    times : array of shape (n,), in order
    residual : array of shape (n,)
        Values less a course; it is taken out again, so that what it took is counted.
    sections : array of int of shape (n,)
        Each has a level of its own.
    weights : array of shape (n,), optional
        Inverse variances of the values' own noise, up to a factor.

    Returns
    -------
    float
        1 for values that share nothing; never below.
    """
    n, span = len(times), float(np.ptp(times))
    if n < LEAST or span <= 0 or not np.ptp(residual) > 0:
        return 1.0
    own = np.ones(n) if weights is None else np.mean(weights) / weights
    own = own / np.mean(own)
    levels = (sections[:, None] == np.unique(sections)[None, :]).astype(float)
    x = (times - times.mean()) / span
    both = np.column_stack([levels, x, x * x, residual / np.std(residual)])
    if n <= both.shape[1] + 3:
        return 1.0
    along = _contrast(levels, x, own)
    gaps = np.maximum(np.diff(times), 1e-6 * span)
    usual = span / (n - 1)
    stays = [k * usual for k in STAYS if k * usual <= LONGEST * span] or [usual]
    alone = _restricted(both, own, None, 0.0)
    chances, factors = [NONE], [1.0]
    each = (1 - NONE) / (len(stays) * len(SHARES))
    for stay in stays:
        precision, log_size = offset_precision(gaps, stay)
        carried = float(along @ _solved(precision, along))
        for share in SHARES:
            ratio = share / (1 - share)
            gain = alone - _restricted(both, own, (precision, log_size), ratio)
            chances.append(each * float(np.exp(np.clip(gain / 2, -700, 700))))
            noise = float(along @ (own * along))
            alike = noise + ratio * float(along @ along)
            factors.append((noise + ratio * carried) / alike)
    total = float(np.dot(chances, factors) / np.sum(chances))
    return max(total, 1.0)


def _contrast(levels: Floats, x: Floats, own: Floats) -> Floats:
    """Return what each value counts in the slope by weighted least squares."""
    w = 1.0 / own
    mean = levels @ ((levels.T @ (w * x)) / (levels.T @ w))
    return np.asarray(w * (x - mean), dtype=float)


def offset_precision(gaps: Floats, stay: float) -> tuple[Floats, float]:
    """Return the offsets' precision, upper band form, and the log of its determinant."""
    kept = np.exp(-gaps / stay)
    lost = -np.expm1(-2 * gaps / stay)
    diagonal = np.ones(len(gaps) + 1)
    diagonal[1:] += kept**2 / lost
    diagonal[:-1] += kept**2 / lost
    return np.vstack([np.r_[0.0, -kept / lost], diagonal]), -float(np.log(lost).sum())


def _solved(banded: Floats, right: Floats) -> Floats:
    from scipy.linalg import solveh_banded

    return np.asarray(solveh_banded(banded, right, check_finite=False), dtype=float)


def _restricted(
    both: Floats, own: Floats, offsets: tuple[Floats, float] | None, ratio: float
) -> float:
    """Return minus twice the restricted log likelihood, the noise's size profiled out.

    ``both`` is the design with the values beside it: the last pivot of their normal
    matrix's root is what the design leaves of them.
    """
    from scipy.linalg import cho_solve_banded, cholesky_banded

    n, p = both.shape[0], both.shape[1] - 1
    inverse = both / own[:, None]
    log_size = float(np.log(own).sum())
    if offsets is not None:
        precision, log_precision = offsets
        inner = precision / ratio
        inner[1] += 1.0 / own
        root = cholesky_banded(inner, check_finite=False)
        solved = cho_solve_banded((root, False), inverse, check_finite=False)
        inverse = inverse - solved / own[:, None]
        log_size += 2 * float(np.log(root[1]).sum()) + n * float(np.log(ratio)) - log_precision
    normal = both.T @ inverse
    normal[np.diag_indices(p)] *= 1 + 1e-12
    pivots = np.log(np.linalg.cholesky(normal).diagonal())
    return float((n - p) * 2 * pivots[p] + log_size + 2 * pivots[:p].sum())
