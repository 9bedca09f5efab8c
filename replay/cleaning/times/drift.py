"""How far the clocks of two recorders of one session stand apart, and how that grows.

Recorders that saw the same joint move tell it: the rate from one log and the
rate or current from the other rise together. In windows spread over the
session the shift at which they agree best is found by cross-correlation, to a
part of a sample by the parabola through the peak. A line through the shifts
(Theil-Sen: the median of the slopes of all pairs) gives offset and drift.

It is an estimate, and it is only told: no instant is changed. Current follows
motion within some milliseconds, so a small part of an offset may be real.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl

from replay.cleaning.notes import instant
from replay.cleaning.parts import Part
from replay.records import QualityNote
from replay.statistics.spread import spread
from replay.units import TIME

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

WINDOWS = 24
WINDOW_SAMPLES = 4096
LARGEST_SHIFT = 0.25
"""Of a window: a larger shift leaves too little that both saw."""
AGREE = 0.5
"""A correlation below this says nothing."""
_FEWEST = 4
_MOTION = ("rate_deg_s", "angle_deg", "current_a")
"""What tells of motion, the best first."""


@dataclass(frozen=True, slots=True)
class Apart:
    """Two clocks: how far the second is ahead of the first."""

    offset_s: float
    """At the first instant that both saw."""
    drift: float
    """Seconds a second."""
    spread_s: float
    """Median distance of a window's shift from the line, as a standard deviation."""
    windows: int


def drift_notes(parts: Sequence[Part]) -> Iterator[QualityNote]:
    """Tell of each pair of a session's logs whether their clocks stand apart."""
    for one, other in combinations(parts, 2):
        pair = _motion_of_both(one, other)
        if pair is None:
            continue
        (path, mine), (other_path, theirs) = pair
        step_ns = max(_step_ns(one, path), _step_ns(other, other_path))
        span = _common(path, other_path)
        found = _apart(path, mine, other_path, theirs, step_ns, span)
        if found is None:
            continue
        length_s = (span[1] - span[0]) / 1e9
        end_s = found.offset_s + found.drift * length_s
        doubt_s = max(3 * found.spread_s / np.sqrt(found.windows), 0.5 * step_ns / 1e9)
        if max(abs(found.offset_s), abs(end_s)) <= doubt_s:
            continue
        yield QualityNote(
            "clock-drift",
            f"the clock of {other.raw.path.name} is ahead of that of {one.raw.path.name} by "
            f"{found.offset_s:.3g} s at the start and {end_s:.3g} s at the end "
            f"({found.drift * 1e6:.3g} ppm, estimated from {mine} and {theirs} in "
            f"{found.windows} windows, give or take {doubt_s:.2g} s); times are kept as logged",
            channel="time",
            start=instant(span[0]),
            end=instant(span[1]),
        )


def line_through(at_s: Floats, shifts_s: Floats) -> tuple[float, float, float]:
    """Return offset, slope and spread of shifts over time (Theil-Sen).

    Examples
    --------
    >>> line_through(np.array([0.0, 10.0, 20.0]), np.array([1.0, 1.5, 2.0]))
    (1.0, 0.05, 0.0)
    """
    first, second = np.triu_indices(len(at_s), 1)
    slope = float(np.median((shifts_s[second] - shifts_s[first]) / (at_s[second] - at_s[first])))
    left = shifts_s - slope * at_s
    offset = float(np.median(left))
    return offset, slope, spread(left)


def shift_of(mine: Floats, theirs: Floats) -> tuple[float, float]:
    """Return by how many samples ``theirs`` comes later, and how well the two agree.

    Parameters
    ----------
    mine, theirs : ndarray of shape (n,)
        On one even grid.

    Returns
    -------
    shift : float
    agreement : float
        Correlation at that shift, from -1 to 1; 0 when one of them stands still.
    """
    n = len(mine)
    a, b = mine - mine.mean(), theirs - theirs.mean()
    size = float(np.sqrt((a @ a) * (b @ b)))
    if size == 0.0:
        return 0.0, 0.0
    both = np.fft.irfft(np.conj(np.fft.rfft(a, 2 * n)) * np.fft.rfft(b, 2 * n), 2 * n)
    reach = int(LARGEST_SHIFT * n)
    found = np.concatenate([both[-reach:], both[: reach + 1]]) / size
    place = int(np.argmax(found))
    if place in (0, len(found) - 1):
        return 0.0, 0.0
    low, peak, high = found[place - 1 : place + 2]
    bend = low - 2 * peak + high
    part = 0.5 * (low - high) / bend if bend < 0 else 0.0
    return float(place - reach + part), float(peak)


def _motion_of_both(one: Part, other: Part) -> tuple[tuple[Path, str], tuple[Path, str]] | None:
    """Return the best two channels that tell of one joint's motion."""
    mine, theirs = _motion(one), _motion(other)
    ranked = [
        (_MOTION.index(a) + _MOTION.index(b), joint, a, b)
        for joint, a in mine
        for also, b in theirs
        if joint == also and (a, b) != ("current_a", "current_a")
    ]
    if not ranked:
        return None
    _, joint, a, b = min(ranked, key=lambda r: r[0])
    return (mine[joint, a], f"{joint}.{a}"), (theirs[joint, b], f"{joint}.{b}")


def _motion(part: Part) -> dict[tuple[str, str], Path]:
    return {
        (plan.joint, plan.quantity): part.streams[name]
        for name, cleaner in part.cleaners.items()
        for plan in cleaner.plans
        if name in part.streams and plan.joint is not None and plan.quantity in _MOTION
    }


def _step_ns(part: Part, path: Path) -> int:
    return next(part.cleaners[n].nominal_ns for n, p in part.streams.items() if p == path)


def _common(path: Path, other: Path) -> tuple[int, int]:
    edges = [
        pl.scan_parquet(p, glob=False)
        .select(first=pl.col(TIME).first(), last=pl.col(TIME).last())
        .collect()
        for p in (path, other)
    ]
    numbers = [e.select(pl.all().to_physical()).row(0) for e in edges]
    return max(n[0] for n in numbers), min(n[1] for n in numbers)


def _apart(
    path: Path, mine: str, other: Path, theirs: str, step_ns: int, span: tuple[int, int]
) -> Apart | None:
    width = WINDOW_SAMPLES * step_ns
    begin, end = span
    count = min(WINDOWS, (end - begin) // (width // 2))
    if count < _FEWEST:
        width = (end - begin) // _FEWEST
        count = _FEWEST
    if width < 64 * step_ns:
        return None
    at, shifts = [], []
    for start in np.linspace(begin, end - width, count).astype(np.int64).tolist():
        grid = np.arange(start, start + width, step_ns, dtype=np.int64)
        a, b = _on_grid(path, mine, grid), _on_grid(other, theirs, grid)
        if a is None or b is None:
            continue
        shift, agreement = shift_of(a, b)
        if agreement >= AGREE:
            at.append((start + width // 2 - begin) / 1e9)
            shifts.append(shift * step_ns / 1e9)
    if len(at) < _FEWEST:
        return None
    offset, slope, spread = line_through(np.array(at), np.array(shifts))
    return Apart(offset, slope, spread, len(at))


def _on_grid(path: Path, name: str, grid: Ints) -> Floats | None:
    """Read one window of a channel that tells of motion; None when little is there."""
    low, high = (pl.lit(int(n)).cast(pl.Datetime("ns", "UTC")) for n in (grid[0], grid[-1]))
    frame = (
        pl.scan_parquet(path, glob=False)
        .select(TIME, name)
        .filter(pl.col(TIME).is_between(low, high))
        .drop_nulls()
        .collect()
    )
    if frame.height < len(grid) // 8:
        return None
    ns = frame[TIME].to_physical().to_numpy() - grid[0]
    values: Floats = np.interp(grid - grid[0], ns, frame[name].to_numpy())
    if name.endswith(".angle_deg"):
        values = np.asarray(np.gradient(values), dtype=np.float64)
    return values
