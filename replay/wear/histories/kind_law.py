"""What the others of its kind say about a unit's indicator, and its use for one history.

How it is learned is in `kind_laws`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from replay.statistics.mixed_slopes import Known

Floats = npt.NDArray[np.float64]

STEPS = {"temperature_c": 10.0, "load_nm": 10.0, "rate_deg_s": 1.0, "base_b": 1.0}
"""To what change of a condition the laws' coefficients refer."""

TERMS = ("temperature_c", "temperature_c", "load_nm", "rate_deg_s", "base_b")
"""The condition of each coefficient; temperature has a square besides."""

NEWCOMER = ""
"""Stands in the place of a serial for a unit that was not among those a law rests on."""

UNTOLD = 1e4
"""Variance of an effect of which nothing is known, as a share of the level."""


@dataclass(frozen=True, slots=True)
class KindLaw:
    """What the others of its kind say about a unit's indicator."""

    reference_c: float
    mean: Floats
    """Share of the usual level per step of each of `TERMS`, shape (5,)."""
    covariance: Floats
    """Of a unit's own effects about that mean: between units, and of the mean."""
    units: int
    """How many other units it rests on."""
    chances: Floats
    """Of the possibilities of shared offsets, shape (`POSSIBILITIES`,)."""

    @property
    def told(self) -> tuple[str, ...]:
        """The conditions whose effect the others tell."""
        known = np.diagonal(self.covariance) < UNTOLD
        return tuple({name for name, there in zip(TERMS, known, strict=True) if there})

    def about(
        self, owner: Sequence[str], reference: Mapping[str, float], spreads: Mapping[str, float]
    ) -> tuple[Floats, Floats]:
        """Return mean and covariance for standardised columns, as `covariates_of` makes them.

        Parameters
        ----------
        owner : sequence of str
            The condition of each column, of those in `TERMS`; a second one is the square.
        reference, spreads : mapping of str to float
            Of each condition, in its own unit: where its column is nought, and its scale.
        """
        turn = np.zeros((len(owner), len(TERMS)))
        for k, name in enumerate(owner):
            scale = spreads[name] / STEPS[name]
            if name != "temperature_c":
                turn[k, TERMS.index(name)] = scale
            elif k and owner[k - 1] == name:
                turn[k, 1] = scale**2
            else:
                shift = (reference[name] - self.reference_c) / STEPS[name]
                turn[k, :2] = scale, 2 * scale * shift
        return turn @ self.mean, turn @ self.covariance @ turn.T


Laws = Mapping[tuple[str, str], KindLaw]


def known_effects(
    law: KindLaw | None,
    level: float,
    owner: Sequence[str],
    reference: Mapping[str, float],
    spreads: Mapping[str, float],
) -> Known:
    """Return what is known beforehand of the effects of a history's conditions.

    Parameters
    ----------
    law : KindLaw, optional
    level : float
        The history's usual level, in the values' unit.
    owner, reference, spreads
        As `covariates_of` gives them; columns that no law knows are left free.
    """
    mean, precision = np.zeros(len(owner)), np.zeros((len(owner), len(owner)))
    places = [k for k, name in enumerate(owner) if name in STEPS]
    if law is None or not places or not level > 0:
        return Known(mean, precision)
    shares, covariance = law.about([owner[k] for k in places], reference, spreads)
    mean[places] = level * shares
    # a law that is known exactly would make the precision infinite
    least = 1e-6 * np.eye(len(places))
    precision[np.ix_(places, places)] = np.linalg.inv(level**2 * (covariance + least))
    return Known(mean, precision)
