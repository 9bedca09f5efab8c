"""How often healthy joints exceed a value: one tail a statistic, one law a family of them.

A tail is exponential beyond the 97th in 100 of the blocks' maxima (Pickands 1975 with shape 0),
of what is seldom seen beyond its middle, and never lighter than that of as many normal variables.
Of brakes' times its scale is known from no more sessions than taught it, and counts as doubtful.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from replay.checks.likelihood import BANDS
from replay.checks.limits.noise import EVERYONE
from replay.checks.limits.norms import is_time
from replay.models.residuals import Floats
from replay.settings import setting
from replay.signatures.registry import MEASURES, SHAPES, SIGNATURES
from replay.wording import TOP_SCORE

COMMON = 0.15
"""A finding that fewer blocks show may be a fault that hides in training."""

PLENTY, MANY_SESSIONS = 40, 12
"""From so many blocks of so many sessions on a tail may be as light as they show: sessions of
one week say little of the next season's."""

QUANTILES = (0.85, 0.97)

NOTHING = float(-np.log(1e3))
"""Surprise of what is within the level of its tail."""


@dataclass(frozen=True, slots=True)
class Tail:
    """Healthy blocks exceed ``level`` at ``rate`` per joint-hour, e times less every ``scale``."""

    level: float
    rate: float
    scale: float
    normal: float = 0.0
    """Independent normal variables in an hour, 0: none."""
    share: float = 1.0
    """Of healthy blocks that show any of it."""
    known: float = 0.0
    """Sessions that its scale is known from, 0: taken as it is."""

    def log_rate(self, value: Floats) -> Floats:
        """Return ln of the rate of events at least this large, per joint-hour."""
        size = np.asarray(value, dtype=np.float64)
        fallen = np.maximum(size - self.level, 0.0) / self.scale
        if self.known > 0:  # averaged over what the scale may be (Lomax, JASA 49, 1954)
            fallen = self.known * np.log1p(fallen / self.known)
        law = np.log(self.rate) - fallen
        if self.normal > 0:
            from scipy.stats import norm

            law = np.maximum(law, np.log(2 * self.normal) + norm.logsf(size))
        return np.asarray(np.where(size > self.level, law, np.log(1e3)))

    def to_plain(self) -> dict[str, float]:
        """Return what JSON holds."""
        return {
            "level": self.level,
            "rate": self.rate,
            "scale": self.scale,
            "normal": self.normal,
            "share": self.share,
            "known": self.known,
        }


def statistic(shape: str, band: int) -> str:
    """Return the name of a shape's statistic over windows of one band."""
    return f"{shape} {BANDS[band]}"


def family(statistic: str) -> str:
    """Return what a statistic shares its rate with: windows of the current, or a kind's marks.

    Each family is held to what it does itself: that one's tails are worse than they look is
    no reason to trust another's less. Half of the asked rate is the current's, whose
    windows most kinds of fault need; the others share the rest evenly.
    """
    return _KINDS.get(statistic.partition(",")[0], CURRENT)


CURRENT = "current"
_KINDS = {m.name: s.kind for s in SIGNATURES for m in s.measures}
FAMILIES = (CURRENT, *(s.kind for s in SIGNATURES if any(m.sought for m in s.measures)))


def chance(log_rate: Floats) -> Floats:
    """Return -log10 of the chance of at least one in an hour, `TOP_SCORE` at the most."""
    rate = np.exp(np.clip(log_rate, -600.0, 10.0))
    rare = -np.log10(np.maximum(-np.expm1(-rate), 1e-300))
    return np.asarray(np.minimum(rare, TOP_SCORE))


@dataclass(frozen=True, slots=True)
class Block:
    """One joint for ten minutes: the largest value of every statistic."""

    session: str
    joint: str
    hours: float
    most: Mapping[str, float]


def fit_tails(
    blocks: Sequence[Block], sessions: int = MANY_SESSIONS, odd: Sequence[Block] = ()
) -> dict[str, Tail]:
    """Fit the tail of every statistic to the blocks' largest values, of so many sessions.

    ``odd``: what was set aside. Of the brakes' times it counts as well: they are few, and without
    those that fit badly the others look as if they fell off sooner. What hides in a tenth of the
    sessions does not reach the quantiles.
    """
    whole = {
        statistic(s.name, k): (s.shared, 3600.0 / setting("shortest_s") / 8**k)
        for s in SHAPES.values()
        if s.sought
        for k in range(len(BANDS))
    }
    whole |= {n: (False, 0.0) for b in blocks for n in b.most if n not in whole}
    whole |= {n: (False, 0.0) for n, m in MEASURES.items() if not m.by_cell}
    made = {}
    for name, (shared, normal) in whole.items():
        timed = name in MEASURES and is_time(name)
        mine = [b for b in (*blocks, *(odd if timed else ())) if (b.joint == EVERYONE) == shared]
        if mine and (normal == 0.0 or any(name in b.most for b in mine)):
            values = np.array([b.most.get(name, 0.0) for b in mine])
            hours = float(np.mean([b.hours for b in mine]))
            made[name] = fit_tail(values, hours, normal=normal, sessions=sessions)
            if timed:
                made[name] = replace(made[name], known=float(sessions))
    return made


def fit_tail(
    values: Floats, hours: float, *, normal: float = 0.0, sessions: int = MANY_SESSIONS
) -> Tail:
    """Fit one tail to blocks' maxima; blocks without anything to say have 0.

    Two quantiles are matched, the upper low enough that faults hidden in a tenth of
    the sessions, each on one joint, do not reach it.
    """
    prior, rate, least = (setting(n) for n in ("prior_scale", "prior_rate", "prior_level"))
    some = np.sort(values[values > 0])
    share = some.size / max(values.size, 1)
    if some.size < 3:
        return Tail(least, rate, prior, normal, share)  # what they show may all be faults
    if share < COMMON:
        # seldom there: as often as it was, falling off as it did, or more slowly, and no sooner
        # than what was never there
        size = float(np.mean(some) - some[0]) if some.size > 1 else 0.0
        level = max(float(np.median(some)), least)
        return Tail(level, 0.5 * share / hours, max(size, prior), normal, share)
    low, high = (float(np.quantile(some, q)) for q in QUANTILES)
    part = [-np.log1p(-share * (1 - q)) for q in QUANTILES]
    scale = (high - low) / np.log(part[0] / part[1])
    few = max(0.0, 1.0 - values.size / PLENTY, 1.0 - sessions / MANY_SESSIONS)
    floor = setting("least_scale") * (1 - few) + prior * few
    return Tail(high, part[1] / hours, max(float(scale), floor), normal, share)


def prior_tail() -> Tail:
    """Return the tail of what training never showed."""
    level, rate, scale = (setting(f"prior_{n}") for n in ("level", "rate", "scale"))
    return Tail(level, rate, scale, share=0.0)


def family_laws(
    surprise: Mapping[str, Floats], blocks: Sequence[Block], sessions: int
) -> dict[str, Tail]:
    """Fit the law of every family's rarest; by itself its rate would be exp(-surprise)."""
    hours = float(np.mean([b.hours for b in blocks])) if blocks else 1.0
    least = 1.0 + max(0.0, 1.0 - sessions / MANY_SESSIONS)
    most = max(setting("slowest"), least)
    made = {}
    for name, values in surprise.items():
        some = values[values > NOTHING]
        share = some.size / max(values.size, 1)
        if some.size < 8 or share < COMMON:
            made[name] = Tail(0.0, 1.0, least)  # too seldom to be held to more
            continue
        low, high = (float(np.quantile(values, q)) for q in QUANTILES)
        part = [-np.log(q) for q in QUANTILES]
        scale = (high - low) / np.log(part[0] / part[1])
        made[name] = Tail(high, part[1] / hours, float(np.clip(scale, least, most)), 0.0)
    return made
