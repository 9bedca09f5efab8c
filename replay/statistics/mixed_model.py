"""A series beside its design, fitted under many possibilities of shared offsets at once.

The matrices of `mixed_slopes`, which says what they are for and where they come from. With
offsets the values' covariance is ``own + ratio / precision``, whose inverse is ``1 / own``
less ``1 / own (precision / ratio + 1 / own)^-1 1 / own`` (M. A. Woodbury): what is inverted
has three diagonals.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt

from replay.statistics.shared_offsets import Floats


@dataclass(frozen=True, slots=True)
class Offset:
    """One possibility: how offsets hang together, and how large they are."""

    precision: Floats
    """Of offsets of variance one, upper band form."""
    log_precision: float
    ratio: float
    """Of the offsets' variance to that of the values' own noise."""


@dataclass(frozen=True, slots=True)
class Steps:
    """Steps that a level may have taken, where they would be."""

    columns: Floats
    """One a step, of shape (n, m), 1 from its first value on."""
    spread: float
    """Standard deviation of a step, before this series says anything."""
    chance: float
    """Of these steps, before this series says anything."""


@dataclass(frozen=True, slots=True)
class Fitted:
    """A fit under each of k possibilities, the first without offsets."""

    variance: Floats
    """Of the noise, shape (k,), like `log_likelihood`, `slope`, `error` and `offset_factor`."""
    log_likelihood: Floats
    effects: Floats
    """Of conditions, shape (k, q)."""
    covariance: Floats
    """Of these, shape (k, q, q)."""
    slope: Floats
    error: Floats
    offset_factor: Floats

    def beside(self, other: Fitted) -> Fitted:
        """Return the possibilities of both, these first."""
        return Fitted(
            *(np.concatenate([getattr(self, f.name), getattr(other, f.name)]) for f in fields(self))
        )


SETTLED = 0.02
"""The noise is settled when it moves by no more than this share."""


class Model:
    """A series' matrices, and its fits.

    ``precision``, of shape (p, p), is what is known beforehand of the columns' coefficients,
    about nought; ``dearer`` by how much the noise is larger than its squares say.
    ``contrasts`` counts the values less the columns of which nothing is known (those that the
    restricted likelihood rests on), ``along_noise`` is the variance that a noise of one brings
    into the slope.
    """

    def __init__(
        self,
        design: Floats,
        y: Floats,
        own: Floats,
        precision: Floats,
        along: Floats,
        first: int,
        dearer: float,
    ) -> None:
        self.design, self.y, self.own = design, y, own
        self.along, self.first, self.dearer = along, first, dearer
        both = np.column_stack([design, y])
        self.plain = both / own[:, None]
        self.gram = both.T @ self.plain
        self.log_own = float(np.log(own).sum())
        self.through = along @ design
        self.along_noise = float(along @ (own * along))
        unknown = precision.diagonal() <= 0
        self.contrasts = float(max(len(y) - int(np.count_nonzero(unknown)), 1))
        self.noise_variance, self.freedom = self._noise_beside(precision, unknown)
        self.prior = self.noise_variance * precision

    def _noise_beside(
        self, precision: Floats, unknown: npt.NDArray[np.bool_]
    ) -> tuple[float, float]:
        """Return the noise's variance and its degrees of freedom, without offsets.

        What is known of the effects stands in their own units and the noise is sought, so
        one rests on the other: it is come to from above, the effects at nought. A column
        takes as much of a degree of freedom as the values and not the prior tell it
        (T. J. Hastie, R. J. Tibshirani, *Generalized Additive Models*, 1990, 3.5).
        """
        n, p = self.plain.shape[0], len(precision)
        gram, right, square = self.gram[:p, :p], self.gram[:p, p], float(self.gram[p, p])
        floor = 1e-12 * max(float(np.max(gram.diagonal())), 1e-300) * np.eye(p)

        def seen(prior: Floats, of: npt.NDArray[Any]) -> tuple[float, float]:
            block = gram[np.ix_(of, of)]
            wanted = np.column_stack([right[of], block])
            found = np.linalg.solve(block + (floor + prior)[np.ix_(of, of)], wanted)
            told, hat = found[:, 0], found[:, 1:]
            rest = square - 2 * float(right[of] @ told) + float(told @ block @ told)
            freedom = max(n - float(np.trace(hat)), 1.0)
            return self.dearer * max(rest, 1e-12 * square, 1e-300) / freedom, freedom

        size, freedom = seen(np.zeros((p, p)), np.flatnonzero(unknown))
        for _ in range(30):
            before = size
            size, freedom = seen(size * precision, np.arange(p))
            if size >= (1 - SETTLED) * before:
                break
        return size, freedom

    def fitted(self, offsets: Sequence[Offset] = ()) -> Fitted:
        """Fit without offsets and under each possibility, the noise's size profiled out."""
        p, q = self.design.shape[1], self.design.shape[1] - self.first
        ratio = np.array([0.0, *(o.ratio for o in offsets)])
        products = np.repeat(self.gram[None], len(ratio), axis=0)
        log_size, carried = np.full(len(ratio), self.log_own), np.zeros(len(ratio))
        if offsets:
            carried[1:] = self._carried(offsets)
            less, logs = self._through_offsets(offsets)
            products[1:] -= less
            log_size[1:] += logs
        normal, right = products[:, :p, :p] + self.prior, products[:, :p, p]
        size = np.sqrt(np.maximum(normal.diagonal(axis1=1, axis2=2), 1e-300))
        scaled = normal / (size[:, :, None] * size[:, None, :])
        scaled[:, range(p), range(p)] += 1e-9
        # of the inverse only what it makes of the values and of each effect is wanted
        wanted = np.zeros((len(ratio), p, 1 + q))
        wanted[:, :, 0] = right
        wanted[:, range(self.first, p), range(1, 1 + q)] = 1.0
        solved, log_normal = _solved(scaled, wanted / size[:, :, None])
        solved = solved / size[:, :, None]
        log_normal = log_normal + 2 * np.log(size).sum(axis=1)
        solution, columns = solved[:, :, 0], solved[:, :, 1:]
        square = products[:, p, p]
        left = np.maximum(square - np.einsum("kp,kp->k", right, solution), 1e-12 * square)
        left = np.maximum(left, 1e-300)
        variance = self.dearer * left / self.contrasts
        # effects smaller than they might be leave less than the prior expects
        variance = variance * max(1.0, self.noise_variance / float(variance[0]))
        effects, block = solution[:, self.first :], columns[:, self.first :]
        taken = self.through[self.first :]
        price = (
            self.along_noise
            + carried
            - 2 * (self.through @ columns @ taken)
            + block @ taken @ taken
        )
        alike = self.along_noise + ratio * float(self.along @ self.along)
        return Fitted(
            variance=variance,
            log_likelihood=-(self.contrasts * np.log(left) + log_size + log_normal) / 2,
            effects=effects,
            covariance=variance[:, None, None] * block,
            slope=float(self.along @ self.y) - effects @ taken,
            error=np.sqrt(variance * np.maximum(price, 1e-300)),
            offset_factor=(self.along_noise + carried) / alike,
        )

    def _carried(self, offsets: Sequence[Offset]) -> Floats:
        """Return the variance that offsets bring into the slope."""
        from scipy.linalg.lapack import dptsv

        known: dict[int, float] = {}
        for o in offsets:
            if id(o.precision) not in known:
                solved = dptsv(o.precision[1], o.precision[0, 1:], self.along)[2]
                known[id(o.precision)] = float(self.along @ solved)
        return np.array([o.ratio * known[id(o.precision)] for o in offsets])

    def _through_offsets(self, offsets: Sequence[Offset]) -> tuple[Floats, Floats]:
        """Return what offsets take from the products, and the logs of their determinants."""
        from scipy.linalg.lapack import dpttrf, dpttrs

        n, p = self.plain.shape
        less, logs = np.empty((len(offsets), p, p)), np.empty(len(offsets))
        for k, o in enumerate(offsets):
            pivots, beside, _ = dpttrf(
                o.precision[1] / o.ratio + 1.0 / self.own, o.precision[0, 1:] / o.ratio
            )
            less[k] = self.plain.T @ dpttrs(pivots, beside, self.plain)[0]
            logs[k] = n * np.log(o.ratio) - o.log_precision + np.log(pivots).sum()
        return less, logs


def _solved(matrices: Floats, right: Floats) -> tuple[Floats, Floats]:
    """Return symmetric matrices' inverses times some columns, and their determinants' logs."""
    from scipy.linalg.lapack import dpotrf, dpotrs

    solved, logs = np.empty(right.shape), np.empty(len(matrices))
    for k, matrix in enumerate(matrices):
        root, failed = dpotrf(matrix)
        if failed:  # rounding has left a pivot below nought
            solved[k] = np.linalg.solve(matrix, right[k])
            logs[k] = np.linalg.slogdet(matrix)[1]
        else:
            solved[k] = dpotrs(root, right[k])[0]
            logs[k] = 2 * np.log(root.diagonal()).sum()
    return solved, logs
