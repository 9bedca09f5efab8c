"""Current against its expectation: shifts at several time scales, and samples.

A mean over a window of ``w`` seconds is compared with how such means vary in
healthy sessions. That is a Shewhart chart on the remainder at each scale, and
needs no model of how neighbouring samples depend on each other: the spread of
the window means has it all in.
"""

from __future__ import annotations

import numpy as np

from replay.models.bins import HELD, HOLDING, MOVING, Bins, Floats, Ints
from replay.models.spreads import UNSETTLED_S
from replay.models.trace import Statistic, Trace, rolling_mean, settling_s

SETTLED_S = 0.3
"""A joint at rest is judged sample by sample from this long after it stopped."""

CRAWLS, RUNS = 0.3, 0.8
"""Shares of the speed's mean over a window: below, a joint nearly stands; above, it runs."""

LEAST_REST = 0.25
"""Share of a window that must be left of the session to compare the window with."""

SERVO_DELAY_S = 0.7
LEAST_ASKED = 0.1
"""Seconds of the usual speed: a shorter commanded travel is too small to fall behind."""

CLEAR_OF_NOISE = 6.0
"""A mean speed tells stopping from running when it is this many times the noise at rest."""

FEWEST_TO_SWING = 20

SCALES_S = (1.0, 4.0, 16.0, 64.0)
WHOLE = float("inf")


def scale_name(window_s: float) -> str:
    """Return the part of a statistic's name that tells its window."""
    return "session" if np.isinf(window_s) else f"{window_s:g}s"


def shifts(trace: Trace, session_level: float) -> list[Statistic]:
    """Shift of the drag, absolute and against the rest of the session.

    Parameters
    ----------
    session_level : float
        Healthy spread of a session's mean drag, in spreads of a bin.
    """
    rows = np.flatnonzero(trace.seen & (trace.bins.motion == MOVING))
    if rows.size < 3:
        return []
    side = trace.side[rows]
    drag = np.clip(trace.z[rows] * side, -40, 40)
    weight = trace.seconds[rows]
    level = _evened(drag, side, session_level)
    made = []
    for window in (*SCALES_S, WHOLE):
        mean = rolling_mean(drag, weight, window)
        made.append(Statistic(f"shift {scale_name(window)}", rows, mean, window))
        if window > 1.0 and not np.isinf(window):
            apart = _contrast(level, weight, window, session_level)
            made.append(Statistic(f"change {scale_name(window)}", rows, apart, window))
    return made


def _evened(drag: Floats, side: Floats, session_level: float) -> Floats:
    """Take off by how much a session's two directions differ, up to twice its usual level."""
    one, other = drag[side > 0], drag[side < 0]
    if min(one.size, other.size) < 10:
        return drag
    half = 0.5 * float(np.median(one) - np.median(other))
    most = 2 * session_level
    return np.asarray(drag - side * float(np.clip(half, -most, most)))


def _contrast(drag: Floats, weight: Floats, window: float, session_level: float) -> Floats:
    """Mean of a window less that of the rest, on the scale of the window's own spread.

    What departs is the side that is further from the expectation: a healthy
    stretch beside a faulty one shows no more than sessions differ by anyway.
    """
    mean = rolling_mean(drag, weight, window)
    whole = float(weight.sum())
    rest_s = whole - window
    if rest_s < LEAST_REST * window:
        return np.full(drag.size, np.nan)
    rest = (float((np.clip(drag, -6, 6) * weight).sum()) - np.clip(mean, -6, 6) * window) / rest_s
    apart = mean - rest
    own = np.maximum(np.sign(apart) * mean, 0.0) + 2 * session_level
    kept = np.sign(apart) * np.minimum(np.abs(apart), own)
    return np.asarray(kept / np.sqrt(1 + window / rest_s))


def offsets(trace: Trace) -> list[Statistic]:
    """Shift that keeps its sign in both directions and at rest."""
    made = []
    rows = np.flatnonzero(trace.seen & (trace.bins.motion == MOVING))
    if rows.size >= 3 and np.unique(np.sign(trace.side[rows])).size > 1:
        z = np.clip(trace.z[rows], -40, 40)
        weight = trace.seconds[rows]
        for window in (64.0, WHOLE):
            value = balanced_mean(z, trace.side[rows], weight, window)
            made.append(Statistic(f"offset {scale_name(window)}", rows, value, window))
    return made


def resting(trace: Trace) -> list[Statistic]:
    """Return the current of a joint that stands still, released or braked."""
    made = []
    for code, word in ((HOLDING, "holding"), (HELD, "held")):
        at_rest = trace.seen & (trace.bins.motion == code)
        if code == HOLDING:  # a joint that has just stopped may still creep
            at_rest &= trace.bins.settled >= UNSETTLED_S
        rows = np.flatnonzero(at_rest)
        if rows.size < 3:
            continue
        z = np.clip(trace.z[rows], -40, 40)
        for window in (1.0, 8.0):
            mean = rolling_mean(z, trace.seconds[rows], window)
            made.append(Statistic(f"{word} {scale_name(window)}", rows, mean, window))
    return made


def samples(trace: Trace, sample_sd: dict[int, float]) -> list[Statistic]:
    """Return the largest departure of a single sample in each bin."""
    bins = trace.bins
    rows = np.flatnonzero(trace.seen & ((bins.settled >= SETTLED_S) | (bins.motion == MOVING)))
    if not rows.size:
        return []
    own = np.array([sample_sd.get(int(c), 0.0) for c in (HELD, HOLDING, MOVING)])
    sd = np.sqrt(trace.sd[rows] ** 2 + own[bins.motion[rows]] ** 2)
    up = bins.current_max[rows] - trace.expected[rows]
    down = trace.expected[rows] - bins.current_min[rows]
    value = np.where(up >= down, up, -down) / sd
    return [Statistic("sample", rows, value, 0.0)]


def loads(trace: Trace) -> list[Statistic]:
    """How the remainder follows the load (or, unloaded, the acceleration)."""
    bins = trace.bins
    made = []
    rows = np.flatnonzero(trace.seen & (bins.motion == MOVING))
    if rows.size < 10:
        return []
    cause = load_cause(trace, rows)
    if cause is None:
        return []
    z = np.clip(trace.z[rows], -40, 40)
    weight = trace.seconds[rows]
    for window in (16.0, 64.0, WHOLE):
        top = rolling_mean(z * cause, weight, window)
        energy = rolling_mean(cause * cause, weight, window)
        value = np.where(energy > 0.2, top / np.sqrt(np.maximum(energy, 1e-3)), np.nan)
        made.append(Statistic(f"load {scale_name(window)}", rows, value, window))
    return made


def load_cause(trace: Trace, rows: Ints) -> Floats | None:
    """Load (or else acceleration) of these rows, scaled to unit spread; None: none."""
    for values in (trace.bins.load, trace.bins.accel):
        cause = np.nan_to_num(values[rows])
        size = float(np.sqrt(np.mean(cause * cause)))
        if size > 0:
            return np.asarray(np.clip(cause / size, -6, 6))
    return None


def stop_go(trace: Trace) -> list[Statistic]:
    """How often a released joint nearly stops and runs on within 6 s, uncommanded."""
    bins = trace.bins
    rows = np.flatnonzero((bins.motion == MOVING) | (bins.motion == HOLDING))
    if rows.size < 3:
        return []
    still = np.abs(bins.rate[(bins.motion == HOLDING) | (bins.motion == HELD)])
    still = still[np.isfinite(still)]
    noise = 1.4826 * float(np.median(still)) if still.size else 0.0
    seconds = trace.seconds[rows]
    many = _turns(np.nan_to_num(bins.rate[rows]), seconds, 6.0, noise)
    # the joint answers late: what was asked shortly before the window counts as well
    asked = _turns(np.nan_to_num(bins.rate_cmd[rows]), seconds, 8.0, 0.0)
    return [Statistic("stop-go 6s", rows, np.maximum(many - asked, 0.0), 6.0)]


def _turns(rate: Floats, seconds: Floats, window_s: float, noise: float) -> Floats:
    """Count how often the speed falls to a crawl or recovers, in each window.

    Between the two limits nothing has changed, so that a joint which creeps at
    a steady speed shows none, however near to rest it is.
    """
    speed = np.abs(rate)
    usual = np.nan_to_num(rolling_mean(speed, seconds, window_s))
    side = np.where(speed > RUNS * usual, 1, np.where(speed < CRAWLS * usual, -1, 0))
    side[usual <= CLEAR_OF_NOISE * noise] = 0
    last = np.maximum.accumulate(np.where(side != 0, np.arange(side.size), 0))
    state = side[last]
    changed = np.zeros(rate.size)
    changed[1:] = (state[1:] != state[:-1]) & (state[:-1] != 0)
    return np.asarray(
        window_s * rolling_mean(changed / np.maximum(seconds, 1e-3), seconds, window_s)
    )


def balanced_mean(z: Floats, side: Floats, weight: Floats, window: float) -> Floats:
    """Mean of the two directions' means: drag cancels, an offset stays."""
    parts = []
    for sign in (1, -1):
        one = (side == sign).astype(np.float64)
        top = rolling_mean(z * one, weight, window)
        share = rolling_mean(one, weight, window)
        parts.append(np.where(share > 0.1, top / np.maximum(share, 1e-9), np.nan))
    return np.asarray(0.5 * (parts[0] + parts[1]))


def tracking(trace: Trace, speed_scale: float) -> list[Statistic]:
    """Commanded less measured rate, as a share of the unit's usual speed and of what was asked."""
    bins = trace.bins
    known = np.isfinite(bins.rate_cmd) & np.isfinite(bins.rate) & (bins.motion != HELD)
    rows = np.flatnonzero(known)
    if rows.size < 3:
        return []
    seconds = trace.seconds[rows]
    lag = (bins.rate_cmd[rows] - bins.rate[rows]) / speed_scale
    made = [Statistic("tracking 2s", rows, rolling_mean(lag, seconds, 2.0), 2.0)]
    made.append(Statistic("behind 4s", rows, _behind(bins, rows, seconds, speed_scale), 4.0))
    steady = rows[bins.settled[rows] > 1.0]
    if steady.size >= 3:
        lag = (bins.rate_cmd[steady] - bins.rate[steady]) / speed_scale
        value = rolling_mean(np.clip(lag, -1, 1), trace.seconds[steady], 6.0)
        made.append(Statistic("tracking 6s", steady, value, 6.0))
    return made


def _behind(bins: Bins, rows: Ints, seconds: Floats, speed_scale: float) -> Floats:
    """Share of the commanded travel of 4 s that did not come, however slow the command.

    A servo trails a changing command: its delay times the change of rate is
    nobody's fault and is taken off first.
    """
    wanted = bins.rate_cmd[rows]
    missing = 4.0 * rolling_mean(wanted - bins.rate[rows], seconds, 4.0)
    spent = np.cumsum(seconds)
    change = wanted - wanted[np.searchsorted(spent, spent - 4.0)]
    late = SERVO_DELAY_S * change
    missing -= np.clip(missing, np.minimum(late, 0.0), np.maximum(late, 0.0))
    travel = 4.0 * rolling_mean(np.abs(wanted), seconds, 4.0)
    return np.asarray(np.clip(missing / np.maximum(travel, LEAST_ASKED * speed_scale), -1.5, 1.5))


def wobble(trace: Trace) -> list[Statistic]:
    """How much the remainder goes up and down within seconds.

    Hum, knocks and judder leave a window's mean as it was. The remainder less
    its own mean over about a second has their swing, and little of the slower
    ringing of a long arm.
    """
    bins = trace.bins
    settled = bins.settled > settling_s(bins, 1.0)
    rows = np.flatnonzero(trace.seen & (bins.motion == MOVING) & settled)
    if rows.size < FEWEST_TO_SWING:
        return []
    z = np.clip(trace.z[rows], -40, 40)
    seconds = trace.seconds[rows]
    half = max(2, round(0.4 / max(float(np.median(seconds)), 1e-3)))
    total = np.concatenate(([0.0], np.cumsum(z)))
    at = np.arange(z.size)
    low, high = np.maximum(at - half, 0), np.minimum(at + half + 1, z.size)
    swing = z - (total[high] - total[low]) / (high - low)
    broken = np.diff(bins.start_s[rows], prepend=-np.inf) > 1.0  # two motions side by side
    near = np.convolve(broken, np.ones(2 * half + 1), "same") > 0
    swing[near] = 0.0
    power = rolling_mean(swing * swing, seconds, 6.0)
    share = rolling_mean((~near).astype(np.float64), seconds, 6.0)
    size = np.sqrt(np.where(share > 0.3, power / np.maximum(share, 1e-9), np.nan))
    return [Statistic("wobble 6s", rows, size, 6.0)]
