"""A joint table cut into short bins: what every detector works on.

A bin never mixes motions, directions or brake states, so a mean over it means
something. Twenty samples become one row, which is what makes checking fast,
and what was fast inside the bin survives as its spread, range and roughness.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from replay.signals.carry import Codes
from replay.signals.columns import JointColumns, columns_of
from replay.statistics.noise import subsampled

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

BIN_S = 0.2
"""Nominal length of a bin: well under the 2 s in which an abrupt fault should
be known, well over the sample period of a fast log."""

LAG_S = 1.0
"""How far back a current may still answer to the load: servo, gear, filters."""

SILENT_PERIODS = 3.0
"""Over a longer gap between samples a rate says little about the travel."""

FADE_S = 4.0
"""How long a long arm rings on after a push: at 0.3 to 0.6 Hz with a tenth of
critical damping, typical of long booms; from memory."""

MANY_STILL = 500
"""From so many rates at rest on, more would not change their median much."""

HELD, HOLDING, MOVING, UNKNOWN = 0, 1, 2, -1
"""As `replay.signals.motion.segments.MOTIONS` counts them."""


@dataclass(slots=True)
class Bins:
    """Columns of equal length, one entry a bin; NaN where nothing was logged."""

    first: Ints
    last: Ints
    start_s: Floats
    end_s: Floats
    count: Ints
    current: Floats
    current_sd: Floats
    current_min: Floats
    current_max: Floats
    current_jag: Floats
    """Mean size of the second difference from sample to sample, A: fast
    roughness, blind to a steady ramp."""
    rate: Floats
    rate_sd: Floats
    rate_min: Floats
    rate_max: Floats
    rate_cmd: Floats
    accel: Floats
    temperature: Floats
    load: Floats
    load_before: Floats
    """Mean over the last second: what a current that lags still answers to."""
    accel_before: Floats
    payload: Floats
    angle_first: Floats
    angle_last: Floats
    angle_min: Floats
    angle_max: Floats
    motion: Ints
    direction: Ints
    engaged: Floats
    commanded: Floats
    """Brake command, 1 for engage."""
    settled: Floats
    """Time to the nearest change of motion or direction, s."""
    stir: Floats
    """How much the load (without one, the acceleration) changed of late: its
    largest change within a second, fading as a shaken structure does."""
    posture: Floats
    """Angles of all joints as the bin begins, rad, shape (bins, joints)."""
    base_b: Floats
    """1 where the arm stands on its end B, 0 on its end A."""
    astray: Floats
    """Travel by the angle less travel by the logged rate, from this bin's first
    sample to the next bin's, deg; NaN where the rate came from the angle."""

    def __len__(self) -> int:
        return int(self.first.size)

    @property
    def seconds(self) -> Floats:
        """Length of each bin, by the median sample period for its last sample."""
        period = sample_period(self)
        return np.asarray(np.minimum(self.end_s - self.start_s + period, self.count * 4 * period))

    def take(self, rows: npt.NDArray[np.generic]) -> Bins:
        """Return the bins picked by an index or a mask."""
        return Bins(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})


def join_bins(parts: Iterable[Bins]) -> Bins:
    """Put bins of consecutive tables (or of several sessions) end to end."""
    given = list(parts)
    whole = [p for p in given if len(p)] or given[:1]
    width = max(p.posture.shape[1] for p in whole)
    whole = [
        p if p.posture.shape[1] == width else replace(p, posture=np.full((len(p), width), np.nan))
        for p in whole
    ]
    return Bins(
        **{f.name: np.concatenate([getattr(p, f.name) for p in whole]) for f in fields(Bins)}
    )


def sample_period(bins: Bins) -> float:
    """Median time between samples, s; 0 when it cannot be told."""
    if not len(bins):
        return 0.0
    many = bins.count > 1
    if many.any():
        length = (bins.end_s - bins.start_s)[many] / (bins.count[many] - 1)
        return float(np.median(length))
    return float(np.median(np.diff(bins.start_s))) if len(bins) > 1 else 0.0


def bin_table(
    table: pl.DataFrame | JointColumns,
    *,
    width_s: float = BIN_S,
    first_row: int = 0,
    arm: Mapping[str, pl.DataFrame | Angles] | None = None,
) -> Bins:
    """Cut a joint table into bins of at most ``width_s``.

    Parameters
    ----------
    table : polars.DataFrame
        Columns of `replay.units.JOINT_TABLE`, times rising.
    width_s : float
        Longest bin, s. A log slower than this keeps one sample a bin; 0 makes
        every sample its own.
    first_row : int
        Row number of the table's first row in the session, for tables that
        are read in pieces.
    arm : mapping, optional
        The tables of all joints at that time, this one included, in the arm's
        order: where the posture comes from.
    """
    given = columns_of(table)
    size, time = len(given), given.t_s
    if size == 0:
        whole = {"first", "last", "count", "motion", "direction"}
        nothing: dict[str, Any] = {
            f.name: np.empty(0, dtype=np.int64 if f.name in whole else np.float64)
            for f in fields(Bins)
        }
        nothing["posture"] = np.empty((0, len(arm) if arm is not None else 0))
        return Bins(**nothing)
    rate, direction = given.rate_deg_s, given.direction
    logged = given.rate_is_logged
    motion = motion_of_logged_rate(given.motion, rate) if logged else given.motion
    slot = np.floor(time / width_s) if width_s > 0 else np.arange(size, dtype=np.float64)
    change = np.empty(size, dtype=bool)
    change[0] = True
    np.not_equal(slot[1:], slot[:-1], out=change[1:])
    for column in (motion, direction, given.brake_engaged):
        change[1:] |= column[1:] != column[:-1]
    first = np.flatnonzero(change)
    last = np.append(first[1:], size) - 1
    count = last - first + 1
    current = given.current_a
    mean_i, sd_i, low_i, high_i = _moments(current, first, count)
    mean_v, sd_v, low_v, high_v = _moments(rate, first, count)
    jag = np.zeros(size)
    jag[1:-1] = np.abs(current[2:] - 2 * current[1:-1] + current[:-2])
    angle = given.angle_deg
    accel = _mean(given.accel_deg_s2, first, count)
    load = _mean(given.load_nm, first, count)
    load_before, accel_before = _before(load, time[first]), _before(accel, time[first])
    change = load - load_before
    if np.isnan(change).all():
        change = accel - accel_before
    return Bins(
        first=first + first_row,
        last=last + first_row,
        start_s=time[first],
        end_s=time[last],
        count=count,
        current=mean_i,
        current_sd=sd_i,
        current_min=low_i,
        current_max=high_i,
        current_jag=_mean(jag, first, count),
        rate=mean_v,
        rate_sd=sd_v,
        rate_min=low_v,
        rate_max=high_v,
        rate_cmd=_mean(given.rate_cmd_deg_s, first, count),
        accel=accel,
        temperature=_mean(given.temperature_c, first, count),
        load=load,
        load_before=load_before,
        accel_before=accel_before,
        payload=_mean(given.payload_kg, first, count),
        angle_first=angle[first],
        angle_last=angle[last],
        angle_min=_extreme(np.fmin, angle, first),
        angle_max=_extreme(np.fmax, angle, first),
        motion=motion[first].astype(np.int64),
        direction=direction[first].astype(np.int64),
        engaged=_switch(given.brake_engaged[first]),
        commanded=_switch(given.brake_engage_cmd[first]),
        settled=_settled(motion[first], direction[first], time[first], time[last]),
        stir=_fading(change, time[first]),
        posture=_posture(arm, time, first),
        base_b=_switch(given.base_end[first]),
        astray=_astray(time, angle, rate, first) if logged else np.full(first.size, np.nan),
    )


def _astray(time: Floats, angle: Floats, rate: Floats, first: Ints) -> Floats:
    """Sum what angle and logged rate disagree on, over each bin, deg."""
    if time.size < 3:
        return np.full(first.size, np.nan)
    gap = np.diff(time)
    each = np.zeros(time.size)
    each[:-1] = np.diff(angle) - 0.5 * (rate[1:] + rate[:-1]) * gap
    each[:-1][gap > SILENT_PERIODS * np.median(subsampled(gap))] = 0.0
    each[np.isnan(each)] = 0.0
    return _sum(each, first)


def _switch(codes: Codes) -> Floats:
    """Return a switch's codes as numbers, NaN for unknown."""
    return np.where(codes < 0, np.nan, codes.astype(np.float64))


@dataclass(frozen=True, slots=True)
class Angles:
    """A joint's angle where it is known: what other joints' postures are read from."""

    t_s: Floats
    angle_rad: Floats

    @classmethod
    def of(cls, t_s: Floats, angle_deg: Floats) -> Angles:
        """Leave out what is not known."""
        known = np.isfinite(angle_deg)
        if not known.all():
            t_s, angle_deg = t_s[known], angle_deg[known]
        return cls(t_s, np.deg2rad(angle_deg))


def _posture(arm: Mapping[str, pl.DataFrame | Angles] | None, time: Floats, first: Ints) -> Floats:
    """Angles of all joints at these rows' times, rad; a joint without angles gives 0."""
    out = np.zeros((first.size, len(arm) if arm is not None else 0))
    for k, table in enumerate((arm or {}).values()):
        if isinstance(table, pl.DataFrame):
            known = columns_of(table)
            table = Angles.of(known.t_s, known.angle_deg)
        if table.t_s is time or np.array_equal(table.t_s, time):
            out[:, k] = table.angle_rad[first]
        elif table.t_s.size:
            out[:, k] = np.interp(time[first], table.t_s, table.angle_rad)
    return out


def motion_of_logged_rate(motion: Codes, rate: Floats) -> Codes:
    """Call a sample moving when its logged rate is far above that of standstill.

    A log of one sample a second shows a move as a single sample, too short
    for a segment; the rate itself is still plain about it.
    """
    speed = np.abs(rate)
    still = motion == HOLDING
    some = subsampled(speed)[subsampled(still)]
    some = some if some.size >= MANY_STILL else subsampled(speed[still])
    some = some[np.isfinite(some)]
    if not some.size:
        return motion
    noise = 1.4826 * float(np.median(some))
    all_speeds = subsampled(speed)
    top = float(np.quantile(all_speeds[np.isfinite(all_speeds)], 0.995))
    limit = max(0.05 * top, 6 * noise, 0.02)
    out = motion.copy()
    out[still & (speed > limit)] = MOVING
    return out


def _before(values: Floats, at_s: Floats) -> Floats:
    """Mean over the entries of the last `LAG_S`, itself included."""
    if np.isnan(values).all():
        return values.copy()
    total = np.concatenate(([0.0], np.cumsum(np.nan_to_num(values))))
    left = np.searchsorted(at_s, at_s - LAG_S)
    right = np.arange(1, at_s.size + 1)
    return np.asarray((total[right] - total[left]) / (right - left))


def _fading(values: Floats, at_s: Floats) -> Floats:
    """Return the largest size so far, each fading with `FADE_S`."""
    size = np.log(np.maximum(np.abs(np.nan_to_num(values)), 1e-12))
    clock = at_s / FADE_S
    return np.asarray(np.exp(np.maximum.accumulate(size + clock) - clock))


def _settled(motion: Codes, direction: Codes, start_s: Floats, end_s: Floats) -> Floats:
    new = np.ones(motion.size, dtype=bool)
    new[1:] = (motion[1:] != motion[:-1]) | (direction[1:] != direction[:-1])
    run = np.cumsum(new) - 1
    begin = start_s[new]
    finish = np.append(begin[1:], end_s[-1])
    return np.asarray(np.minimum(end_s - begin[run], finish[run] - start_s))


def _sum(values: Floats, first: Ints) -> Floats:
    return np.asarray(np.add.reduceat(values, first))


def _mean(values: Floats, first: Ints, count: Ints) -> Floats:
    missing = np.isnan(values)
    if not missing.any():
        return _sum(values, first) / count
    if missing.all():
        return np.full(first.size, np.nan)
    good = count - np.add.reduceat(missing.astype(np.int64), first)
    total = _sum(np.where(missing, 0.0, values), first)
    return np.asarray(np.where(good > 0, total / np.maximum(good, 1), np.nan))


def _extreme(ufunc: np.ufunc, values: Floats, first: Ints) -> Floats:
    return np.asarray(ufunc.reduceat(values, first))


def _moments(values: Floats, first: Ints, count: Ints) -> tuple[Floats, Floats, Floats, Floats]:
    mean = _mean(values, first, count)
    rest = values - np.repeat(mean, count)
    variance = _mean(rest * rest, first, count)
    return (
        mean,
        np.sqrt(variance),
        _extreme(np.fmin, values, first),
        _extreme(np.fmax, values, first),
    )
