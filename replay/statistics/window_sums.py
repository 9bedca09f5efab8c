"""Sums of powers of time, and of series times these, over every window at once."""

from __future__ import annotations

from math import comb

import numpy as np

from replay.statistics.noise import Array, Flags


def flat(y: Array, window: int) -> Flags:
    """Return which windows hold one value only: there is no motion, not even a rounding's."""
    changes = np.zeros(y.shape, dtype=np.int32)
    np.cumsum(y[:, 1:] != y[:, :-1], axis=1, out=changes[:, 1:])
    return np.asarray(changes[:, window - 1 :] == changes[:, : y.shape[1] - window + 1])


def window_moments(t: Array, y: Array, window: int) -> tuple[list[Array], list[Array]]:
    """Sum powers of time, and series times these, over every window, about its middle.

    A window's moments about its first sample are put together from those of
    two shorter ones, so a window of w samples costs about log2(w) steps. All
    terms of a sum of powers have one sign: nothing cancels until the end.

    Parameters
    ----------
    t : (n,)
        Times, scaled so that half a window is about 1.
    y : (k, n)

    Returns
    -------
    list of 5 arrays (n - window + 1,), list of 3 arrays (k, n - window + 1)
        Sums of ``u**j`` and of ``y u**j``, with ``u`` from the window's middle.
    """
    nothing = np.zeros(len(t))
    # of windows of `length` samples that begin at each sample
    block = [[np.ones(len(t)), *[nothing] * 4], [y, *[np.zeros(y.shape)] * 2]]
    made, done, length = None, 0, 1
    while True:
        if window & length:
            made = block if made is None else _joined(t, made, block, done)
            done += length
        if done == window:
            break
        block = _joined(t, block, block, length)
        length *= 2
    assert made is not None
    middle = t[: len(t) - window + 1] - t[window // 2 : len(t) - window // 2]
    count = len(middle)
    of_time, of_series = ([_about(m, k, middle, 0, count) for k in range(len(m))] for m in made)
    return of_time, of_series


_Moments = list[list[Array]]


def _joined(t: Array, left: _Moments, right: _Moments, length: int) -> _Moments:
    """Return the moments of windows that ``right`` continues after ``length`` samples."""
    count = right[0][0].shape[-1] - length
    away = t[length : length + count] - t[:count]
    return [
        [a[k][..., :count] + _about(b, k, away, length, count) for k in range(len(b))]
        for a, b in zip(left, right, strict=True)
    ]


def _about(moments: list[Array], order: int, away: Array, first: int, count: int) -> Array:
    """Return a moment about a point that lies ``away`` before the one it was summed about."""
    part = slice(first, first + count)
    out = moments[0][..., part]
    for k in range(1, order + 1):
        out = out * away + comb(order, k) * moments[k][..., part]
    return out


class Parabola:
    """Adjugate and determinant of the normal matrix [[s0 s1 s2] [s1 s2 s3] [s2 s3 s4]]."""

    def __init__(self, s0: Array | float, s1: Array, s2: Array, s3: Array, s4: Array) -> None:
        self.a00, self.a01, self.a02 = s2 * s4 - s3 * s3, s2 * s3 - s1 * s4, s1 * s3 - s2 * s2
        self.a11, self.a12, self.a22 = s0 * s4 - s2 * s2, s1 * s2 - s0 * s3, s0 * s2 - s1 * s1
        self.det = s0 * self.a00 + s1 * self.a01 + s2 * self.a02
