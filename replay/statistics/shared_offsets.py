"""What a slope's variance costs where neighbours share an offset that stays for a while.

A month's work, a tool, a mounting adds the same to all sessions beside each other. Beside
a larger noise of each session such an offset hardly shows between two neighbours, and
yet it is what limits a slope: ten sessions that share a third of their variance say as
much about it as 2.5 that share none (10 / (1 + 9 / 3)). The correlation of neighbours
alone (`autocorrelation.memory_factor`) supposes that memory fades by the same share at each
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

SHORT = 8.0
"""What stays no longer than so many usual gaps is an offset however short the history is: a
month's work is one when the arm has worked for two."""

NONE = 0.75
"""Chance beforehand that there is none. At a half, histories without any paid a quarter of
their certainty and held 95 % where 90 % are claimed (`tests/benchmarks/wear.py`)."""

LEAST = 4
"""With fewer values nothing is said."""


def offset_precision(gaps: Floats, stay: float) -> tuple[Floats, float]:
    """Return the offsets' precision, upper band form, and the log of its determinant."""
    kept = np.exp(-gaps / stay)
    lost = -np.expm1(-2 * gaps / stay)
    diagonal = np.ones(len(gaps) + 1)
    diagonal[1:] += kept**2 / lost
    diagonal[:-1] += kept**2 / lost
    return np.vstack([np.r_[0.0, -kept / lost], diagonal]), -float(np.log(lost).sum())
