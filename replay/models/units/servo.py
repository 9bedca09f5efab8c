"""The drive's own law: current from following error, learned from the logs.

    i = kp de/dt + ki e + kii int e + (feed-forward of the command)

e is the integral of the commanded rate less the angle, taken anew whenever the
drive was off. The law knows nothing of the mechanism: a fault there leaves its
residual alone, a fault of the current's sensor does not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay.models.grid.blocks import JointBlocks
from replay.models.residuals import Flags, Floats
from replay.models.units.current import choose
from replay.models.units.least_squares import Sums, clustered_covariance, solve, sums, total
from replay.settings import setting
from replay.statistics.spread import MAD_TO_SD_TABLE

NAMES = ("one", "lead", "lead rate", "lead sum", "rate", "accel", "sign")
BASE = ("one", "lead", "lead rate")
FORWARD = ("one", "rate", "accel", "sign")
"""What a mechanism's own current would follow as well; a drive's law must tell more."""

GROUPS = (("lead sum",), ("rate",), ("accel",), ("sign",))


@dataclass(frozen=True, slots=True)
class ServoLaw:
    """A drive's law: names, coefficients (A per unit of each), covariance, noise, share told."""

    names: tuple[str, ...]
    coef: Floats
    covariance: Floats
    variance: Floats
    floor: float
    share: float
    asked: bool

    def predict(self, x: Floats) -> Floats:
        """Return the current of (n, p) columns."""
        out: Floats = x @ self.coef
        return out


def servo_columns(mine: JointBlocks, step_s: float, *, asked: bool) -> tuple[Floats, Flags]:
    """Return (n, 7) columns of `NAMES` and the rows where they hold.

    Rows after a saturation are left out until the drive is enabled anew, for its
    integral stood still meanwhile. ``asked``: the drive is enabled by the brake's
    command, else by its word.
    """
    lead = mine.lead_asked_deg if asked else mine.lead_deg
    free = np.isfinite(lead) & (mine.free == 1) & np.isfinite(mine.rate_cmd_deg_s)
    start = free & ~np.concatenate([[False], free[:-1]])
    first = np.maximum.accumulate(np.where(start, np.arange(len(lead)), 0))
    filled = np.where(free, lead, 0.0)
    running = np.cumsum(filled) * step_s
    summed = np.where(free, running - running[first], 0.0)
    error_rate = np.where(free, mine.rate_cmd_deg_s - mine.rate_deg_s, 0.0)
    ok = free & np.isfinite(error_rate) & ~_after(saturated(mine.current_a), first)
    cmd = np.nan_to_num(mine.rate_cmd_deg_s)
    x = np.stack(
        [
            np.ones(len(lead)),
            filled,
            np.nan_to_num(error_rate),
            summed,
            cmd,
            np.nan_to_num(mine.accel_cmd_deg_s2),
            np.sign(np.where(np.abs(cmd) > 1e-6, cmd, 0.0)),
        ],
        axis=1,
    )
    return x, ok


def saturated(current_a: Floats) -> Flags:
    """Return where current stands at the largest of the session for three blocks or more."""
    size = np.abs(np.nan_to_num(current_a))
    near = size > 0.985 * max(float(size.max(initial=0.0)), 1e-12)
    three = near.copy()
    three[1:-1] = near[1:-1] & near[:-2] & near[2:]
    whole: Flags = three.copy()
    whole[:-1] |= three[1:]
    whole[1:] |= three[:-1]
    return whole & (size > 0)


def _after(bad: Flags, first: NDArray[np.int64]) -> Flags:
    """Return rows at or after a bad one within the stretch that began at ``first``."""
    sums = np.cumsum(bad)
    before: NDArray[np.int64] = sums[first] - bad[first]
    out: Flags = sums > before
    return out


def fit_servo(
    xs: Sequence[Floats],
    ys: Sequence[Floats],
    folds: Floats,
    floor: float,
    *,
    asked: bool,
) -> ServoLaw | None:
    """Fit the drive's law on rows by session; None where it explains too little."""
    if sum(len(y) for y in ys) < 100:
        return None
    usual = max(float(np.median(np.abs(np.concatenate(list(ys))))), 1e-9)
    size = np.maximum(np.sqrt(np.mean(np.concatenate(list(xs)) ** 2, axis=0)), 1e-12)
    stiffness = (size / (30 * usual)) ** 2
    centre = np.zeros(len(NAMES))
    weights = [np.full(len(y), usual**-2) for y in ys]
    places = {n: [k] for k, n in enumerate(NAMES)}
    beta, kept = np.zeros(len(NAMES)), list(BASE)
    parts: list[Sums] = []
    scale = usual
    for turn in range(4):
        parts = [sums(x, y, w) for x, y, w in zip(xs, ys, weights, strict=True)]
        if turn < 2:
            kept = choose(parts, folds, NAMES, places, BASE, GROUPS, centre, stiffness)
        which = [places[n][0] for n in kept]
        beta = solve(total(parts), which, centre, stiffness)
        rests = [y - x[:, which] @ beta for x, y in zip(xs, ys, strict=True)]
        scale = max(float(MAD_TO_SD_TABLE * np.median(np.abs(np.concatenate(rests)))), floor**0.5)
        weights = [1 / (scale**2 * (1 + (r / (setting("robust_cut") * scale)) ** 2)) for r in rests]
    which = [places[n][0] for n in kept]
    y = np.concatenate(list(ys))
    rest = y - np.concatenate(list(xs))[:, which] @ beta
    share = 1 - float(np.median(np.abs(rest)) / max(np.median(np.abs(y - np.median(y))), 1e-12))
    if share < setting("servo_share"):
        return None
    bare = [places[n][0] for n in FORWARD]
    told = np.concatenate(list(xs))[:, bare] @ solve(total(parts), bare, centre, stiffness)
    gained = 1 - float(np.median(np.abs(rest)) / max(np.median(np.abs(y - told)), 1e-12))
    if gained < setting("servo_share"):
        return None  # not the following error tells it but the command: friction would show here
    free = np.full(len(stiffness), np.inf)
    covariance = clustered_covariance(parts, which, beta, centre, stiffness, free)
    square = np.minimum(rest**2, 9 * scale**2)
    return ServoLaw(
        tuple(kept), beta, covariance, np.array([float(square.mean())]), floor, share, asked
    )
