"""A series beside its design, fitted under one possibility of shared offsets.

The matrices of `mixed_slopes`, which says what they are for and where they come from.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from replay.statistics.shared_offsets import Floats


@dataclass(frozen=True, slots=True)
class Fitted:
    """A fit under one possibility: the noise's variance, effects of conditions, the slope."""

    variance: float
    log_likelihood: float
    effects: Floats
    covariance: Floats
    slope: float
    error: float
    offset_factor: float


class Model:
    """A series' matrices, and its fit under one possibility of offsets."""

    def __init__(
        self,
        design: Floats,
        y: Floats,
        own: Floats,
        prior: Floats,
        along: Floats,
        first: int,
        dearer: float,
    ) -> None:
        self.design, self.y, self.own, self.prior = design, y, own, prior
        self.along, self.first, self.dearer = along, first, dearer
        both = np.column_stack([design, y])
        # by columns, as the routines want them: no copy is turned about at each possibility
        self.plain = np.asfortranarray(both / own[:, None])
        self.gram = both.T @ self.plain
        self.log_own = float(np.log(own).sum())
        self.through = along @ design
        self.noise = float(along @ (own * along))
        free = int(np.count_nonzero(prior.diagonal() <= 0))
        self.freedom = float(max(len(y) - free, 1))
        self.carried: dict[int, float] = {}

    def fitted(self, offsets: tuple[Floats, float] | None, ratio: float) -> Fitted:
        """Fit, the noise's size profiled out."""
        from scipy.linalg.lapack import dpttrf, dpttrs

        n, products, log_size, carried = len(self.y), self.gram, self.log_own, 0.0
        if offsets is not None:
            precision, log_precision = offsets
            # three diagonals: the routines for them, without the checks of those for any band
            pivots, beside, _ = dpttrf(
                precision[1] / ratio + 1.0 / self.own, precision[0, 1:] / ratio
            )
            solved, _ = dpttrs(pivots, beside, self.plain)
            products = products - self.plain.T @ solved
            log_size += float(np.log(pivots).sum()) + n * float(np.log(ratio)) - log_precision
            key = id(precision)
            if key not in self.carried:
                solved, _ = dpttrs(*dpttrf(precision[1], precision[0, 1:])[:2], self.along)
                self.carried[key] = float(self.along @ solved)
            carried = ratio * self.carried[key]
        p = self.design.shape[1]
        normal, right = products[:p, :p] + self.prior, products[:p, p]
        size = np.sqrt(np.maximum(normal.diagonal(), 1e-300))
        scaled = normal / np.outer(size, size)
        scaled[np.diag_indices(p)] += 1e-9
        inverse, log_determinant = _inverse(scaled)
        inverted = inverse / np.outer(size, size)
        log_normal = log_determinant + 2 * float(np.log(size).sum())
        solution = inverted @ right
        left = max(float(products[p, p] - right @ solution), 1e-12 * float(products[p, p]), 1e-300)
        variance = self.dearer * left / self.freedom
        q = slice(self.first, p)
        effects = solution[q]
        through = self.through
        taken = through[q]
        price = (
            self.noise
            + carried
            - 2 * float(through @ inverted[:, q] @ taken)
            + float(taken @ inverted[q, q] @ taken)
        )
        alike = self.noise + ratio * float(self.along @ self.along)
        return Fitted(
            variance=variance,
            log_likelihood=-(self.freedom * float(np.log(left)) + log_size + log_normal) / 2,
            effects=effects,
            covariance=variance * inverted[q, q],
            slope=float(self.along @ self.y - taken @ effects),
            error=(variance * max(price, 1e-300)) ** 0.5,
            offset_factor=(self.noise + carried) / alike,
        )


def _inverse(matrix: Floats) -> tuple[Floats, float]:
    """Return the inverse of a symmetric matrix and the log of its determinant."""
    from scipy.linalg.lapack import dpotrf, dpotri

    root, failed = dpotrf(matrix)
    if failed:  # rounding has left a pivot below nought
        return np.asarray(np.linalg.inv(matrix), dtype=float), float(np.linalg.slogdet(matrix)[1])
    upper, _ = dpotri(root)
    upper = np.triu(upper)
    inverse = np.asarray(upper + upper.T, dtype=float)
    inverse[np.diag_indices_from(inverse)] /= 2
    return inverse, 2 * float(np.log(root.diagonal()).sum())
