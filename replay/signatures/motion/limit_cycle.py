"""Speed and current that swing together, at one pace, about a steady command.

A joint that sticks and slips without quite stopping keeps on, and so does a drive that
hunts: in each of three pieces of a few seconds the same frequency stands out both in the
speed and in the current. What a start leaves dies away, a gear's ripple hardly moves the
speed, and noise has no frequency in common (friction-induced limit cycles: Armstrong-Hélouvry,
Dupont and Canudas de Wit, Automatica 30, 1994).
"""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from replay.signatures.marks import Mark, Norm, Seen, best_per_minute
from replay.signatures.track import Flags, Floats, Track
from replay.statistics.spread import NORMAL_QUARTILE

GRID_S, COARSEST_S = 0.1, 0.2
"""Step on which swings are looked at; a coarser log tells none of three a second."""

PIECE_S, PIECES = 3.5, 3
"""Pieces half of which overlap: three in a row reach over seven seconds. Of 2.5 s they tell less
from one another, those of 5 s find fewer motions that are steady for so long (measured)."""

SLOWEST_HZ, FASTEST_HZ = 0.5, 3.0
"""Of what sticks and slips, and of what a speed loop hunts at (common practice, no source)."""

STEADY = 0.1
"""By what share of itself the commanded rate, over a second, may vary within a piece."""

FALLS_TO = 0.25
"""A swing reaches as far as it stays above this share of its largest."""

LEAST = 1e-12


def cycles(track: Track) -> Seen:
    """Find stretches in which speed and current swing together, in cells by the speed due.

    Raw is the logarithm of the swing of the speed (a share of the commanded one) times that of
    the current, ampere, at the frequency and in the piece where both are least doubtful.
    """
    step = max(GRID_S, track.period_s)
    if not 0 < step <= COARSEST_S or track.t_s.size < 4 * PIECE_S / step:
        return Seen((), {})
    t, off, current, due, known = _on_grid(track, step)
    width = 2 * round(PIECE_S / step / 2)
    stride = width // 2
    if t.size < width + (PIECES - 1) * stride:
        return Seen((), {})
    first = np.arange(0, t.size - width + 1, stride)
    speed = np.median(sliding_window_view(due, width)[first], axis=1)
    rate = sliding_window_view(due, width)[first]
    good = sliding_window_view(known, width)[first].all(axis=1)
    good &= np.ptp(rate, axis=1) <= STEADY * np.abs(speed)
    good &= np.abs(speed) > 0.02 * track.top_deg_s
    hertz = np.fft.rfftfreq(width, step)
    use = (hertz >= SLOWEST_HZ) & (hertz <= min(FASTEST_HZ, 0.4 / step))
    share = _amplitude(off, first, width)[:, use] * 2 * np.pi * hertz[use]
    share /= np.maximum(np.abs(speed), 1e-9)[:, None]
    ampere = _amplitude(current, first, width)[:, use]
    lasting = sliding_window_view(share * ampere, PIECES, axis=0).min(axis=-1)
    ok = sliding_window_view(good, PIECES).all(axis=1)
    ok &= np.ptp(np.sign(sliding_window_view(speed, PIECES)), axis=1) == 0
    best = lasting.argmax(axis=1)
    level = np.log(np.maximum(lasting[np.arange(best.size), best], LEAST))
    middle = np.abs(speed[1 : 1 + level.size])
    size = np.floor(np.log2(np.maximum(middle / max(track.top_deg_s, 1e-9), 2e-3)))
    size = np.clip(size, -5, 0).astype(int)
    marks: list[Mark] = []
    usual: dict[str, Norm] = {}
    for number in np.unique(size[ok]):
        mine = np.flatnonzero(ok & (size == number))
        cell = f"speed {number}"
        centre = float(np.median(level[mine]))
        above = level[mine][level[mine] > centre] - centre
        if mine.size >= 8 and above.size:
            usual[cell] = (centre, max(float(np.median(above) / NORMAL_QUARTILE), 0.1))
        taken = np.zeros(level.size, dtype=bool)
        for k in mine[np.argsort(-level[mine])]:
            if taken[k]:
                continue
            low, high = _reach(level, ok, int(k))
            taken[low : high + 1] = True
            at, pieces = int(best[k]), slice(int(k), int(k) + PIECES)
            detail = {
                "frequency_hz": float(hertz[use][at]),
                "share": float(share[pieces, at].mean()),
                "swing_a": float(ampere[pieces, at].mean()),
                "speed_deg_s": float(middle[k]),
            }
            begin = float(t[first[low]])
            end = float(t[min(first[high + PIECES - 1] + width, t.size) - 1])
            marks.append(Mark("cycle", cell, begin, end, float(level[k]), detail))
    return Seen(best_per_minute(marks), usual)


def _on_grid(track: Track, step: float) -> tuple[Floats, Floats, Floats, Floats, Flags]:
    """Return time, angle less what was due, current, the rate due and what is known, evenly."""
    t = np.arange(track.t_s[0], track.t_s[-1], step)
    rows = max(1, round(step / max(track.period_s, 1e-6)))
    there = np.isfinite(track.angle_deg) & np.isfinite(track.current_a)
    if there.sum() < 2:
        none = np.zeros(t.size)
        return t, none, none, none, np.zeros(t.size, dtype=bool)
    own = track.t_s[there]
    smooth = np.ones(rows) / rows
    angle = np.interp(t, own, track.angle_deg[there])
    current = np.interp(t, own, np.convolve(track.current_a[there], smooth, "same"))
    second = max(1, round(1.0 / step))
    due = np.interp(t, track.t_s, track.reference_deg_s)
    due = np.convolve(due, np.ones(second) / second, "same")
    after = np.minimum(np.searchsorted(own, t), own.size - 1)
    hole = own[after] - own[np.maximum(after - 1, 0)] > 2.5 * max(track.period_s, step)
    braked = track.braked[np.minimum(np.searchsorted(track.t_s, t), track.t_s.size - 1)]
    return t, angle - np.cumsum(due) * step, current, due, ~hole & ~braked


def _amplitude(values: Floats, first: np.ndarray, width: int) -> Floats:
    """Return each piece's amplitudes by frequency, about its own straight line."""
    piece = sliding_window_view(values, width)[first]
    x = np.arange(width) - (width - 1) / 2
    piece = piece - piece.mean(axis=1, keepdims=True)
    piece = piece - np.outer(piece @ x / float(x @ x), x)
    return np.asarray(np.abs(np.fft.rfft(piece * np.hanning(width), axis=1)) * 4 / width)


def _reach(level: Floats, ok: Flags, k: int) -> tuple[int, int]:
    """Return the first and last window about one that swing nearly as far."""
    least = level[k] + np.log(FALLS_TO)
    low = high = k
    while low > 0 and ok[low - 1] and level[low - 1] >= least:
        low -= 1
    while high + 1 < level.size and ok[high + 1] and level[high + 1] >= least:
        high += 1
    return low, high
