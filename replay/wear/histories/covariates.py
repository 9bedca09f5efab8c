"""What moves a history besides wear, as columns: temperature, load, rate, base end, season."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from replay.statistics.spread import median
from replay.wear.histories.aggregation import numbers_of

Floats = npt.NDArray[np.float64]

SESSIONS_PER_TERM = 4
"""A condition is corrected for only when this many sessions stand behind each
term of it; fewer would fit noise."""

DRIFTS = ("temperature_c",)
"""Conditions that move with the season, so with time, in every history: never left out."""


@dataclass(frozen=True, slots=True)
class Covariates:
    """What may be taken away from a history, made ready once for several courses."""

    columns: Floats
    """Standardised conditions and their squares, shape (n, terms)."""
    owner: tuple[str, ...]
    """The condition of each column."""
    reference: dict[str, float]
    """The usual conditions."""
    spreads: dict[str, float]
    """Of each condition, in its own unit."""


def covariates_of(
    times: Floats,
    conditions: Mapping[str, Floats],
    *,
    sections: npt.NDArray[np.int64] | None = None,
    squared: tuple[str, ...] = ("temperature_c",),
    usual: Mapping[str, float] | None = None,
    told: Collection[str] = (),
) -> Covariates:
    """Return the columns to correct for: as many as the history can bear, and what drifts.

    Were warmth left out where there are few sessions, season would pass for wear; what a
    short history cannot tell of it is doubt (`covariate_adjustment.known_of`).

    Parameters
    ----------
    times : array of shape (n,)
    conditions : mapping of name to array of shape (n,)
        NaN where unknown: such a session is taken to be at the median. A
        condition known in fewer than half of the sessions, or that does not
        vary, is left out.
    sections : array of int of shape (n,), optional
        Each section has its own level.
    squared : tuple of str
        Conditions whose effect is curved: lubricant thickens faster the
        colder it gets.
    usual : mapping of name to float, optional
        The conditions to bring the values to, where not the medians.
    told : collection of str
        Conditions whose effect others tell: they need no sessions of this history.
    """
    n = len(times)
    columns: list[Floats] = []
    owner: list[str] = []
    reference: dict[str, float] = {}
    spreads: dict[str, float] = {}
    levels = 1 if sections is None else len(numbers_of(sections))
    room = n // SESSIONS_PER_TERM - levels - 1
    for name, raw in conditions.items():
        known = np.isfinite(raw)
        if known.sum() < max(4, n / 2):
            continue
        every = bool(known.all())
        own = raw if every else raw[known]
        middle = median(own)
        if usual is not None and name in usual:
            middle = usual[name]
        spread = float(np.std(own))
        if spread <= 1e-9 * max(1.0, abs(middle)):
            continue
        x = (raw - middle) / spread
        if not every:
            x = np.where(known, x, 0.0)
        curved = name in squared and (name in told or room - len(columns) >= 3)
        wanted = [x, x * x] if curved else [x]
        if name not in told and name not in DRIFTS and len(columns) + len(wanted) > room:
            continue
        columns += wanted
        owner += [name] * len(wanted)
        reference[name] = middle
        spreads[name] = spread
    wide = np.column_stack(columns) if columns else np.zeros((n, 0))
    return Covariates(wide, tuple(owner), reference, spreads)
