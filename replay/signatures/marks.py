"""Single findings at the log's own rate, in units of their own measured noise.

A `Measure` looks at one joint's rows and returns marks (a raw size, in a *cell*
of like circumstances) and, cell by cell, what this session usually shows. What
a unit usually shows is learned from its training sessions; a mark's value is
its raw size beyond that, in that. No session sets its own norm.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from replay.settings import setting
from replay.signatures.track import Floats, Track
from replay.statistics.runs import run_edges
from replay.statistics.spread import NORMAL_QUARTILE

Norm = tuple[float, float]
"""Centre and scale, in the unit of the raw size."""

NONE: Norm = (0.0, float("nan"))


@dataclass(frozen=True, slots=True)
class Mark:
    """One finding: where, how large (``raw``, in ``unit``), and its value in spreads."""

    measure: str
    cell: str
    start_s: float
    end_s: float
    raw: float
    detail: Mapping[str, Any] = field(default_factory=dict)
    value: float = 0.0


@dataclass(frozen=True, slots=True)
class Seen:
    """What one measure found on one joint of one session."""

    marks: tuple[Mark, ...]
    usual: Mapping[str, Norm]
    prior: float = 1.0
    """Rows that are one nat where nothing was learned."""


@dataclass(frozen=True, slots=True)
class Measure:
    """A statistic of single samples.

    ``proof``: within its own span it is the cause of whatever the residuals
    show there. ``by_cell``: its cells are few and unlike, each has a tail of its own.
    ``pooled``: a session has few of them, so the norm is that of the raw sizes of all
    training sessions; what a session's ``usual`` gives is the least scale. Not ``sought``: it
    tells kinds apart and finds nothing by itself.
    """

    name: str
    unit: str
    look: Callable[[Track], Seen]
    proof: bool = True
    by_cell: bool = False
    pooled: bool = False
    sought: bool = True

    def statistic(self, mark: Mark) -> str:
        """Return the name of the statistic that a mark counts to."""
        return f"{self.name}, {mark.cell}" if self.by_cell else self.name


def best_per_minute(marks: Iterable[Mark]) -> tuple[Mark, ...]:
    """Keep the two largest marks of every minute and cell: more would say nothing new."""
    best: dict[tuple[int, str], list[Mark]] = {}
    for mark in marks:
        kept = best.setdefault((int(mark.start_s // 60), mark.cell), [])
        kept.append(mark)
        kept.sort(key=lambda m: -m.raw)  # a logarithm may be below nought
        del kept[2:]
    return tuple(sorted((m for k in best.values() for m in k), key=lambda m: m.start_s))


def join_seen(parts: Iterable[Seen]) -> Seen:
    """Put the pieces of a session end to end."""
    given = list(parts)
    if len(given) == 1:
        return given[0]
    cells: dict[str, list[Norm]] = {}
    for part in given:
        for cell, norm in part.usual.items():
            cells.setdefault(cell, []).append(norm)
    return Seen(
        tuple(m for p in given for m in p.marks),
        {c: middle(norms) for c, norms in cells.items()},
        given[0].prior if given else 1.0,
    )


def middle(norms: Iterable[Norm]) -> Norm:
    """Return the median centre and scale; robust while under half of the sessions are odd."""
    values = np.array([n for n in norms if np.isfinite(n[1])])
    if not values.size:
        return NONE
    return float(np.median(values[:, 0])), float(np.median(values[:, 1]))


def pooled_norm(raw: Floats, floor: float, most: float = float("inf")) -> Norm:
    """Return the middle and the upper spread of raw sizes from many sessions.

    The spread is that of the median or of the 98th in 100, whichever says more; ``most``: by
    how many times the second may exceed the first, for among few a fault is the 98th.
    """
    centre = float(np.median(raw))
    above = raw[raw > centre] - centre
    usual = float(np.median(above) / NORMAL_QUARTILE) if above.size else 0.0
    far = float((np.quantile(raw, 0.98) - centre) / 2.054)
    return centre, max(usual, min(far, most * max(usual, floor)), floor)


def valued(marks: Iterable[Mark], usual: Mapping[str, Norm]) -> list[Mark]:
    """Return the marks with their values; one in circumstances never trained has none.

    A delay that training never showed is one from nothing.
    """
    made = []
    for mark in marks:
        never = (0.0, setting("delay_prior_s")) if mark.cell == "delay" else NONE
        centre, scale = usual.get(mark.cell, never)
        if scale > 0:
            made.append(replace(mark, value=float((mark.raw - centre) / scale)))
    return made


def runs(mask: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return first and last index of every run of True."""
    first, past = run_edges(mask)
    return first, past - 1


def spread(values: Floats) -> float:
    """Return a robust standard deviation about zero by the median size; NaN of none."""
    good = values[np.isfinite(values)]
    if good.size > 20_000:
        good = good[:: good.size // 20_000 + 1]
    return float(np.median(np.abs(good)) / NORMAL_QUARTILE) if good.size else float("nan")


def one_nat(total: float, count: float, track: Track) -> Norm:
    """Return the norm of a run's length in rows: zero, and the length that is one nat.

    Parameters
    ----------
    total, count : float
        Rows in runs (of equal, of missing values), and how many runs.
    track : Track

    Notes
    -----
    A run stays with a chance that is counted, 1 - count / total, so ``n``
    rows are ``n ln(1 / stay)`` nats; where none was seen a run is taken to last
    the setting ``run_prior_s`` on average.
    """
    stay = 1.0 - count / total if total > count > 0 else 0.0
    counted = -1.0 / np.log(stay) if stay > 0 else 0.0
    return 0.0, float(max(counted, prior_rows(track)))


def prior_rows(track: Track) -> float:
    """Return the length of a run, in rows, that is one nat where none was ever seen."""
    return setting("run_prior_s") / max(track.period_s, 1e-6)
