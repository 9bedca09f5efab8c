"""The causes that were weighed beside the named one: which have a row, and how likely they are."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from dashboards.queries.event.causes import AGAINST, weights_of

ENOUGH = 0.05
"""A cause that explains less than this share of what the named one does has no line of its own."""


@dataclass(frozen=True, slots=True)
class Cause:
    """A cause that was weighed.

    ``share`` of what the named one explains, 0 to 1 and above; ``odds``: how likely it is beside
    the named one by the residuals and marks alone, in words.
    """

    kind: str
    share: float
    why: str
    odds: str = ""


def odds_words(behind_nats: float) -> str:
    """Say how likely a cause is beside the named one, which is so many nats ahead.

    The weights are logarithms of likelihoods: what explains nearly as much of the scatter can
    still be far less likely. Beyond 1 in 1,000 the noise is not known well enough for a figure.

    >>> odds_words(0.0), odds_words(4.14), odds_words(1163.0)
    ('as likely', 'about 1 in 63', 'less than 1 in 1,000')
    """
    if behind_nats < MOST_ALIKE:
        return "as likely"
    times = math.exp(min(behind_nats, 50.0))
    if times > MOST_TIMES:
        return f"less than 1 in {MOST_TIMES:,}"
    return f"about 1 in {float(f'{times:.2g}'):g}"


MOST_ALIKE, MOST_TIMES = 0.7, 1000
"""Less than a factor of two is no difference; more than a thousand is not told."""


def weighed(read: Mapping[str, Any], kind: str) -> tuple[Cause, ...]:
    """Return the causes that explain enough to have a row, best first."""
    weights = weights_of(read)
    best = weights.get(kind) or max(weights.values(), default=0.0)
    if best <= 0:
        return ()
    causes: list[Cause] = []
    for name, value in sorted(weights.items(), key=lambda p: -p[1]):
        share = max(value, 0.0) / best
        if name == kind or share < ENOUGH:
            continue
        why = AGAINST[name](read) if name in AGAINST else "explains less of it"
        if share > 1.0:
            why = f"fits the current alike, but {why}"
        causes.append(Cause(name, share, why, odds_words(best - value)))
    return tuple(causes)
