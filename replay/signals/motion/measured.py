"""One joint's motion on its own instants: angle, rate, acceleration, their errors."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay.signals.motion import breaks, rates
from replay.statistics.noise import Array, Flags, noise_of, subsampled

_LADDER = (3, 5, 7, 9, 13, 17, 25, 35, 51, 71, 101, 141, 201)
"""Windows used; few of them, so that joints of one log share their weights."""


@dataclass(frozen=True, slots=True)
class Samples:
    """A numeric channel without its nulls."""

    time_ns: NDArray[np.int64]
    values: Array


UNSURE = 6.0
"""An acceleration with more than this many times the usual error is none: at the edge of a
whole window it is four times (of a parabola's slope), in a stretch of a few samples tens."""


@dataclass(frozen=True, slots=True)
class Motion:
    """A joint's motion where it was measured.

    ``rate_se_deg_s`` is NaN throughout for a logged rate. ``rate_noise`` and
    ``accel_noise`` are one figure each: the usual standard deviation.
    """

    time_ns: NDArray[np.int64]
    angle_deg: Array
    rate_deg_s: Array
    rate_se_deg_s: Array
    accel_deg_s2: Array
    accel_se_deg_s2: Array
    starts: Flags
    noise: float
    rate_noise_deg_s: float
    accel_noise_deg_s2: float
    logged_rate: bool


@dataclass(frozen=True, slots=True)
class _Task:
    joint: str
    samples: Samples
    t_s: Array
    y: Array
    starts: Flags
    noise: float


def motions(
    angles: dict[str, Samples],
    logged_rates: dict[str, Samples],
    states: dict[str, NDArray[np.int8]],
) -> dict[str, Motion]:
    """Return each joint's motion: from its logged rate, else from its angle.

    Parameters
    ----------
    angles, logged_rates : joint -> samples
        A joint needs one of the two.
    states : joint -> (n,) int8
        A code of what the brake's words say, at the instants of the series
        that is differentiated (the logged rate, else the angle); no window
        reaches over a change of it. Missing: no change.
    """
    from_rate = [
        _task(j, s, states.get(j), is_angle=False) for j, s in logged_rates.items() if len(s.values)
    ]
    from_angle = [
        _task(j, s, states.get(j), is_angle=True)
        for j, s in angles.items()
        if len(s.values) and not (j in logged_rates and len(logged_rates[j].values))
    ]
    out: dict[str, Motion] = {}
    slopes = _fit(from_rate, [rates.window_for_accel(t.t_s, t.y, t.noise, 1) for t in from_rate])
    for task in from_rate:
        fit = slopes[task.joint]
        n = len(task.y)
        accel_se = fit.rate_gain * task.noise
        out[task.joint] = Motion(
            time_ns=task.samples.time_ns,
            angle_deg=np.full(n, np.nan),
            rate_deg_s=task.y,
            rate_se_deg_s=np.full(n, np.nan),
            accel_deg_s2=_sure(fit.rate, accel_se, task.t_s),
            accel_se_deg_s2=accel_se,
            starts=task.starts,
            noise=task.noise,
            rate_noise_deg_s=task.noise,
            accel_noise_deg_s2=_middle(accel_se),
            logged_rate=True,
        )
    fine_windows = [rates.window_for_rate(t.t_s, t.y, t.noise) for t in from_angle]
    wide_windows = [rates.window_for_accel(t.t_s, t.y, t.noise, 2) for t in from_angle]
    fine, wide = _fit(from_angle, fine_windows), _fit(from_angle, wide_windows)
    for task in from_angle:
        near, far = fine[task.joint], wide[task.joint]
        rate_se = near.rate_gain * _local_noise(task, near)
        accel_se = far.accel_gain * _local_noise(task, far)
        out[task.joint] = Motion(
            time_ns=task.samples.time_ns,
            angle_deg=task.y,
            rate_deg_s=near.rate,
            rate_se_deg_s=rate_se,
            accel_deg_s2=_sure(far.accel, accel_se, task.t_s),
            accel_se_deg_s2=accel_se,
            starts=task.starts,
            noise=task.noise,
            rate_noise_deg_s=_middle(near.rate_gain) * task.noise,
            accel_noise_deg_s2=_middle(far.accel_gain) * task.noise,
            logged_rate=False,
        )
    return out


def _sure(accel: Array, se: Array, t_s: Array) -> Array:
    """Return accelerations, those of stretches too short to tell one from their neighbours.

    Between a brake's command and its report lie two samples at times: through them goes any
    line, and the arm's inertia makes of their noise a load of hundreds of newton metres.
    """
    unsure = se > UNSURE * _middle(se)
    known = np.isfinite(accel) & ~unsure
    if not unsure.any() or not known.any():
        return accel
    out = accel.copy()
    out[unsure] = np.interp(t_s[unsure], t_s[known], accel[known])
    return out


def seconds(time_ns: NDArray[np.int64]) -> Array:
    """Return seconds since the first instant."""
    return (time_ns - time_ns[0]) / 1e9 if len(time_ns) else np.zeros(0)


def _task(joint: str, samples: Samples, state: NDArray[np.int8] | None, *, is_angle: bool) -> _Task:
    t_s = seconds(samples.time_ns)
    y = breaks.unwrapped(samples.values) if is_angle else samples.values
    starts = breaks.gap_starts(t_s)
    if state is not None:
        starts = starts | breaks.change_starts(state)
    noise = noise_of(y, starts, t_s)
    if is_angle:
        starts = starts | breaks.jump_starts(y, starts, noise)
    return _Task(joint, samples, t_s, y, starts, noise)


def _fit(tasks: list[_Task], windows: list[int]) -> dict[str, rates.LocalFit]:
    """Fit all series; those on the same instants and window go together."""
    groups: dict[tuple[bytes, int], list[_Task]] = {}
    for task, window in zip(tasks, windows, strict=True):
        window = next((w for w in _LADDER if w >= window), _LADDER[-1])
        groups.setdefault((_key(task.samples.time_ns), window), []).append(task)
    out: dict[str, rates.LocalFit] = {}
    for (_, window), members in groups.items():
        fit = rates.local_fits(
            members[0].t_s,
            np.stack([m.y for m in members]),
            np.stack([m.starts for m in members]),
            window,
        )
        for row, member in enumerate(members):
            out[member.joint] = rates.LocalFit(
                **{name: getattr(fit, name)[row] for name in rates.LocalFit.__slots__}
            )
    return out


def _key(time_ns: NDArray[np.int64]) -> bytes:
    """Return what tells two series of instants apart (length, ends, checksum)."""
    ends = time_ns[[0, -1]] if len(time_ns) else time_ns
    checksum = np.bitwise_xor.reduce(time_ns * np.int64(2654435761) + np.arange(len(time_ns)))
    return b"%d:" % len(time_ns) + ends.tobytes() + np.int64(checksum).tobytes()


def _local_noise(task: _Task, fit: rates.LocalFit) -> Array:
    """Return the noise around each sample: the series' own, more where the parabola fits badly."""
    window = len(task.y) // 200
    window = min(max(window, 5), 25)
    off = np.nan_to_num(task.y - fit.value) ** 2
    total = np.concatenate([[0.0], np.cumsum(off)])
    index = np.arange(len(off))
    low, high = np.maximum(index - window // 2, 0), np.minimum(index + window // 2 + 1, len(off))
    spread = (total[high] - total[low]) / np.maximum(high - low, 1)
    out: Array = np.sqrt(np.maximum(spread, task.noise**2))
    return out


def _middle(values: Array) -> float:
    some = subsampled(values)
    known = some[np.isfinite(some)]
    return float(np.median(known)) if len(known) else 0.0
