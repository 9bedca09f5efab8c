"""One time after a release of a brake, as data: between which rows, how well it is known.

Every time runs between two rows of the log, so it is known to a step. One that was still
running when the log ended, the release was taken back or `PATIENCE_S` had passed is
open-ended: it lasted at least so long. Nothing is judged here; what is usual for a unit is
learned by those who read these times. Which times there are: `release_answers`, `release_starts`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from replay.signals.brakes.intervals import Span, never, span

Floats = NDArray[np.float64]
Codes = NDArray[np.int8]
Flags = NDArray[np.bool_]
Rows = NDArray[np.int64]

PATIENCE_S = 20.0
"""A command that nothing followed for so long had nothing to time (common practice, no source)."""


class BrakeRows(Protocol):
    """Rows of one joint at the log's own rate, (n,); NaN, and -1 for switches, where not known."""

    @property
    def t_s(self) -> Floats:
        """Instants, s."""

    @property
    def angle_deg(self) -> Floats:
        """Unwrapped angle, deg."""

    @property
    def current_a(self) -> Floats:
        """Motor current, A."""

    @property
    def engaged(self) -> Codes:
        """The brake's word: 1 engaged, 0 released."""

    @property
    def engage_cmd(self) -> Codes:
        """Its command."""

    @property
    def braked(self) -> Flags:
        """Rows in which the word (the command, where there is no word) says engaged."""

    @property
    def motion_due(self) -> Flags:
        """Rows in which motion is due."""

    @property
    def due_deg(self) -> Floats | None:
        """Travel commanded since the first row, deg; None where nothing was commanded."""

    @property
    def resolution_deg(self) -> float:
        """Smallest step that the angle shows, deg."""


@dataclass(frozen=True, slots=True)
class ReleaseTime:
    """One time after a release; rows count from the table's first."""

    begin_row: int
    end_row: int
    time_s: float
    """Between the instants of the two rows."""
    known: Span
    """The same as the sampling allows it to be known; status ``never`` when open-ended."""
    drawn_a: float
    """Largest size of the current meanwhile, A; NaN where none is known."""
    commanded_deg_s: float = float("nan")
    """How fast the joint was asked to start, deg/s; only of a start."""
    beyond_a: float = float("nan")
    """Largest current less what the joint took once it had gone, A; only of a push."""

    def shown_s(self, period_s: float) -> float:
        """Return the time that the log shows to have passed, s, a usual row after what is proven.

        Where rows are missing before the end was seen, it may have come in any of them: nobody
        saw a time as long as that to the next row.
        """
        return float(min(self.time_s, self.known.low_s + period_s))

    @property
    def open_ended(self) -> bool:
        """Tell whether it lasted at least so long, and nobody knows how long."""
        return self.known.status == "never"


def changes_to(codes: Codes, state: int) -> Rows:
    """Return the rows at which a brake's word, or its command, goes to a state from the other."""
    return np.flatnonzero((codes[1:] == state) & (codes[:-1] == 1 - state)) + 1


def timed(
    rows: BrakeRows,
    begin: int,
    end: int,
    open_ended: bool,
    *,
    until: int | None = None,
    not_yet: int | None = None,
    commanded_deg_s: float = float("nan"),
) -> ReleaseTime:
    """Return the time between two rows; its end is first seen in row ``until``, else ``end``.

    ``not_yet``: the last row that shows that the end had not come, else the one before that.
    """
    t_s = rows.t_s
    amps = np.abs(rows.current_a[begin : end + 1])
    amps = amps[np.isfinite(amps)]
    by = end if until is None else until
    last = max(by - 1, 0) if not_yet is None else not_yet
    known = (
        never(t_s[begin], t_s[end])
        if open_ended
        else span(t_s[max(begin - 1, 0)], t_s[begin], t_s[last], t_s[by])
    )
    return ReleaseTime(
        begin_row=begin,
        end_row=end,
        time_s=float(t_s[end] - t_s[begin]),
        known=known,
        drawn_a=float(amps.max()) if amps.size else float("nan"),
        commanded_deg_s=commanded_deg_s,
    )
