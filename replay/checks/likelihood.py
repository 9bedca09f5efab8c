"""The one test: how much better a fault's shape explains a window than no fault does.

The generalized likelihood ratio (Willsky and Jones, IEEE TAC 21, 1976) of a shape
``s`` in a residual ``r`` with weights ``w = 1 / variance``: with S = sum(w s r),
Q = sum(w s s), U = sum(w |s| u) the best size is A = S / Q, its variance
phi / Q + omega² + (U / Q)²: noise that averages out, coloured by phi; what sessions
differ by anyway; and doubt that does not average out. Windows are powers of two
of the block, a stride of an eighth apart; sums come from cumulative sums, so a
day costs little more than reading it. A window's size is laid beside what the rest
of the session makes of it: what a session is off by everywhere hides no fault.

Longer than 245 lines because windows, their sums and their sizes are one arithmetic.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from replay.models.residuals import Flags, Floats, JointResiduals, Residual
from replay.settings import setting
from replay.signatures.kinds import Shape

MEAN_S = 2.0
"""A swing of the residual is one about its mean of so long: slower is friction's."""

BANDS = ("2 s", "13 s", "100 s", "session")
"""Windows of three lengths each, named by the longest where blocks are of 0.2 s: what is
healthy within a second says little of what is within minutes, so each has a tail of its own."""

ALIKE = 0.8
"""Correlation of what is not known of a unit in a window and in the rest of its session."""

HALF_NORMAL = 0.4549
"""Median of the square of a standard normal."""


@dataclass(frozen=True, slots=True)
class Terms:
    """Sums' summands of one shape on one grid, block by block, over all residuals."""

    along: Floats
    energy: Floats
    doubt: Floats

    def without(self, blocks: Flags) -> Terms:
        """Return the same with some blocks left out."""
        keep = np.where(blocks, 0.0, 1.0)
        return Terms(self.along * keep, self.energy * keep, self.doubt * keep)

    def __add__(self, other: Terms) -> Terms:
        return Terms(self.along + other.along, self.energy + other.energy, self.doubt + other.doubt)


@dataclass(frozen=True, slots=True)
class Noise:
    """What a shape's size varies by where nothing is wrong.

    ``phi`` is the noise's colour for windows of 2, 4, 8 … blocks (the last holds beyond),
    ``omega`` the standard deviation of sessions, in the shape's unit.
    """

    phi: tuple[float, ...]
    omega: float
    centre: float = 0.0
    """Of shapes without a sign, which are never nothing."""
    usual_energy: float = 0.0
    """Of a window of 64 blocks of usual motion."""
    swell: tuple[float, ...] = (1.0, 1.0, 1.0, 1.0)
    """By band: by what healthy sizes are larger yet than all of that says."""

    def colour(self, level: int) -> float:
        """Return phi for windows of 2^(level + 1) blocks."""
        return self.phi[min(level, len(self.phi) - 1)]

    def variance_within(self, energy: float) -> float:
        """Return a long window's variance within a session: what averages out with its energy."""
        scale = self.centre**2 if self.centre > 0 else 1.0
        return self.longest / max(energy, 1e-12) / scale

    @property
    def longest(self) -> float:
        """Return phi of long windows."""
        return self.phi[-1]


@dataclass(frozen=True, slots=True)
class Windows:
    """All windows of one length: first block and the one after the last, sums."""

    level: int
    first: np.ndarray
    stop: np.ndarray
    along: Floats
    energy: Floats
    doubt: Floats
    whole: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """The session's own sums."""

    @property
    def band(self) -> int:
        """Return which of `BANDS` the length is in."""
        return min(self.level // 3, len(BANDS) - 1)

    def z(self, noise: Noise) -> Floats:
        """Return the size in its standard deviations; 0 where nothing was seen."""
        seen = self.energy > 0
        energy = np.where(seen, self.energy, 1.0)
        if noise.centre > 0:  # a mean square, by its logarithm
            size = np.log(np.maximum(self.along / energy, 1e-9) / noise.centre)
            variance = noise.colour(self.level) / energy / noise.centre**2 + noise.omega**2
            variance *= noise.swell[self.band] ** 2
            return np.asarray(np.where(seen, np.maximum(size, 0.0) / np.sqrt(variance), 0.0))
        size, within = self.along / energy, noise.colour(self.level) / energy
        doubt = self.doubt / energy
        told, variance = self._told(noise, doubt)
        sd = np.sqrt(within + variance) * noise.swell[self.band]
        z = (size - told) / sd
        # what stands out among its session only must differ from the expected as well
        alone = size / (np.sqrt(within + variance) * noise.swell[self.band])
        both = np.where(z * alone > 0, np.sign(z) * np.minimum(np.abs(z), np.abs(alone)), 0.0)
        return np.asarray(np.where(seen, both, 0.0))

    def _told(self, noise: Noise, doubt: Floats) -> tuple[Floats, Floats]:
        """Return what the rest of the session says of a window's size, and the variance left.

        A session is off by something everywhere (``omega``), and what is not known of the unit
        (``doubt``) is off alike where its conditions are: the best linear prediction of the
        one from the other (Henderson, Biometrics 31, 1975).
        """
        prior = noise.omega**2 + doubt**2
        along, energy, unsure = self.whole
        rest = energy - self.energy
        some = rest > 1e-9 * max(energy, 1e-12)
        rest = np.where(some, rest, 1.0)
        other = np.maximum(unsure - self.doubt, 0.0) / rest
        common = noise.omega**2 + ALIKE * doubt * other
        total = noise.omega**2 + other**2 + noise.longest / rest
        share = np.where(some, common / total, 0.0)
        told = share * (along - self.along) / rest
        return told, np.maximum(prior - share * common, 0.0)


def terms(shape: Shape, joint: JointResiduals, *, clip_sd: float | None = None) -> Terms:
    """Return a shape's summands on one joint.

    Beyond the setting ``clip_sd`` a residual counts by its logarithm: one wild block does not
    make a window, and yet a push of fifty spreads is no healthy one of nine.
    """
    clip = setting("clip_sd") if clip_sd is None else clip_sd
    size = joint.t_s.size
    total = Terms(np.zeros(size), np.zeros(size), np.zeros(size))
    if shape.shared:  # what all joints say of the load together is what it is about
        joint = joint.as_declared()
    for channel, s in shape.of(joint).items():
        one = _square if shape.energy else _one
        total = total + one(getattr(joint, channel), s, joint.step_s, clip)
    return total


def _square(residual: Residual, s: Floats, step_s: float, clip_sd: float) -> Terms:
    ok = residual.ok & np.isfinite(residual.value) & (residual.variance > 0)
    z = np.where(ok, np.nan_to_num(residual.value), 0.0) / np.sqrt(
        np.where(ok, residual.variance + np.nan_to_num(residual.doubt_a) ** 2, 1.0)
    )
    width = 2 * max(1, round(MEAN_S / 2 / step_s)) + 1
    known = np.convolve(ok.astype(np.float64), np.ones(width), "same")
    mean = np.convolve(np.clip(z, -50, 50), np.ones(width), "same") / np.maximum(known, 1.0)
    ok &= known >= 0.7 * width
    square = np.where(ok, np.minimum((z - mean) ** 2, clip_sd**2), 0.0)
    one = np.where(ok, np.nan_to_num(s), 0.0)
    return Terms(one * square, one, np.zeros(ok.size))


def _one(residual: Residual, s: Floats, step_s: float, clip_sd: float) -> Terms:
    ok = residual.ok & np.isfinite(s) & np.isfinite(residual.value) & (residual.variance > 0)
    sd = np.sqrt(np.where(ok, residual.variance, 1.0))
    doubt = np.where(ok, np.nan_to_num(residual.doubt_a), 0.0)
    clip = clip_sd * np.hypot(sd, doubt)
    value = np.where(ok, np.nan_to_num(residual.value), 0.0)
    beyond = np.maximum(np.abs(value) / clip, 1.0)
    value = np.clip(value, -clip, clip) * (1.0 + np.log(beyond))
    weighted = np.where(ok, np.nan_to_num(s), 0.0) / sd**2
    return Terms(weighted * value, weighted * np.nan_to_num(s), np.abs(weighted) * doubt)


def windows(
    part: Terms, step_s: float, *, grows: bool = False, least_s: float = 0.0
) -> Iterator[Windows]:
    """Yield all windows, length by length, from two blocks to the whole session.

    ``grows``: the shape rises linearly from nothing at the window's start; windows
    shorter than `setting("growth_s")` are left out.
    """
    size = part.along.size
    x = np.arange(size, dtype=np.float64) / max(size, 1)
    sums = [_sum(part.along), _sum(part.energy), _sum(part.doubt)]
    totals = (float(sums[0][-1]), float(sums[1][-1]), float(sums[2][-1]))
    rows = _sum((part.energy > 0).astype(np.float64))
    fewest = max(2, round(setting("fewest_s") / step_s))
    if grows:
        sums += [_sum(part.along * x), _sum(part.energy * x), _sum(part.energy * x * x)]
        sums += [_sum(part.doubt * x)]
    level, length = 0, 2
    while size >= 2:
        length = min(2 ** (level + 1), size)
        shortest = max(least_s, setting("growth_s") if grows else 0.0)
        if length * step_s >= shortest or length == size:
            first = np.arange(0, size - length + 1, max(1, length // 8))
            if first[-1] != size - length:
                first = np.append(first, size - length)
            stop = first + length
            along, energy, doubt, *more = (s[stop] - s[first] for s in sums)
            enough = rows[stop] - rows[first] >= fewest
            if grows:
                start, long = x[first], length / max(size, 1)
                along_x, energy_x, energy_xx, doubt_x = more
                along = (along_x - start * along) / long
                energy = (energy_xx - 2 * start * energy_x + start**2 * energy) / long**2
                doubt = (doubt_x - start * doubt) / long
            energy = np.where(enough, energy, 0.0)  # two odd blocks are no motion
            whole = (0.0, 0.0, 0.0) if grows else totals
            yield Windows(level, first, stop, along, energy, doubt, whole)
        if length == size:
            return
        level += 1


def _sum(values: Floats) -> Floats:
    return np.concatenate(([0.0], np.cumsum(values)))


def gain(part: Terms, inside: Flags, noise: Noise) -> tuple[float, float, float]:
    """Return what a shape explains of some blocks: nats, its size, the size's standard error.

    Nats are S² / (2 phi Q), phi that of long windows for every shape: only
    with the same phi do shapes compare. Doubt is left out of them: what the model
    may be wrong by is the same whatever the fault.
    """
    along, energy = float(part.along[inside].sum()), float(part.energy[inside].sum())
    if energy <= 0:
        return 0.0, float("nan"), float("nan")
    doubt = float(part.doubt[inside].sum()) / energy
    size = along / energy
    phi = noise.longest
    if noise.centre > 0:  # a mean square: its logarithm is what is judged
        times = max(size / noise.centre, 1.0)
        variance = noise.variance_within(energy) + noise.omega**2
        return float(0.5 * np.log(times) ** 2 / variance), times, float("nan")
    nats = 0.5 * size**2 * energy / phi
    return nats, size, float(np.sqrt(phi / energy + noise.omega**2 + doubt**2))


def stretch(part: Terms, size: float, noise: Noise, first: int, stop: int) -> tuple[int, int]:
    """Return the stretch of blocks that a fault of this size explains best.

    The largest sum of A w s r - A² w s² / 2 (Page, Biometrika 41, 1954) over
    stretches that meet blocks ``first`` to ``stop``.
    """
    gained = (size * part.along - 0.5 * size**2 * part.energy) / noise.longest
    total = _sum(gained)
    # the onset: where the sum before is least; the end: where the sum after is greatest
    middle = (first + stop) // 2
    low = int(np.argmin(total[: middle + 1]))
    high = middle + int(np.argmax(total[middle:]))
    busy = np.flatnonzero(part.energy[low:high] > 0)
    if not busy.size:
        return first, stop
    return low + int(busy[0]), low + int(busy[-1]) + 1
