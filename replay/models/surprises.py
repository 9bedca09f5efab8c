"""What is too rare to be healthy: tails over all units, and what they set aside.

One law of tails serves all units of a baseline. It is fitted again and again
without the blocks that it makes a surprise, so that several faults hidden in
training cannot hide each other.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from replay.models.bins import Floats
from replay.models.held_out import HeldOut
from replay.models.symptoms.collect import FEWEST, MARK_DEFAULTS
from replay.models.tails import PLAIN_BLOCKS, Tail, Trust
from replay.models.unit import Rarity

SURPRISE = 0.5
"""A training session goes aside, for one unit, when its rarest finding should
turn up less often than this in the whole training set."""

MOST_SET_ASIDE = 0.34

UPPER = 0.75
"""Share of a unit's blocks that faults hidden in training leave alone."""

PARTS = 4
"""The rarest of all detectors is measured on one part of the sessions by tails of
the others."""

OWN_NATURE = 1.4
"""A unit whose upper blocks stand this far above the other units' is that way."""


def fit_rarity(
    held: dict[str, HeldOut],
    *,
    trust: Trust,
    kept: dict[str, npt.NDArray[np.bool_]] | None = None,
) -> Rarity:
    """Fit all tails to the blocks that are ``kept`` (all by default)."""
    chosen = {u: h if kept is None else h.without(~kept[u]) for u, h in held.items()}
    lengths = np.concatenate([h.block_hours for h in chosen.values()])
    if not lengths.size:  # every block was a surprise to the others: lone sessions
        lengths = np.concatenate([h.block_hours for h in held.values()])
    hours = float(np.mean(lengths))
    rarity = Rarity(_tails(chosen, hours, trust))
    together = [_rarest(h, rarity) for h in chosen.values()]
    sessions = sorted({s for h in chosen.values() for s in h.block_session})
    if trust != "low" and len(sessions) >= 2 * PARTS and lengths.size >= PLAIN_BLOCKS:
        together = [
            part
            for k in range(PARTS)
            for part in _left_out(chosen, sessions[k::PARTS], hours, trust)
        ]
    rarity.combined = Tail.fit_rarity(np.concatenate(together), hours, trust=trust)
    return rarity


def _tails(chosen: dict[str, HeldOut], hours: float, trust: Trust) -> dict[str, Tail]:
    names = sorted({n for h in chosen.values() for n in h.maxima})
    tails = {}
    for name in names:
        values = np.concatenate([h.maxima[name] for h in chosen.values() if name in h.maxima])
        tails[name] = Tail.fit(values, hours, trust=trust, finding=name in MARK_DEFAULTS)
    return tails


def _left_out(
    chosen: dict[str, HeldOut], sessions: list[str], hours: float, trust: Trust
) -> list[Floats]:
    """Return the rarest of these sessions' blocks by tails of the other sessions.

    Some forty tails fitted to the very blocks that they judge find each of
    them a little too usual.
    """
    out = set(sessions)
    mine = {u: np.array([s in out for s in h.block_session], dtype=bool) for u, h in chosen.items()}
    rarity = Rarity(_tails({u: h.without(mine[u]) for u, h in chosen.items()}, hours, trust))
    return [_rarest(h.without(~mine[u]), rarity) for u, h in chosen.items()]


def natures(held: dict[str, HeldOut]) -> dict[str, dict[str, float]]:
    """Return by unit and detector how much larger its values run than the other units'.

    One law of tails serves all units. Where a fourth of a unit's blocks stand
    far above everyone's, the law is not its own: gravity with a payload that no
    log names, say. Faults are fewer than that, and are not made normal by it.
    """
    names = {n for h in held.values() for n in h.maxima if n not in MARK_DEFAULTS}
    made: dict[str, dict[str, float]] = {unit: {} for unit in held}
    for name in sorted(names):
        upper = {
            unit: float(np.quantile(h.maxima[name], UPPER))
            for unit, h in held.items()
            if name in h.maxima and h.maxima[name].size >= FEWEST
        }
        usual = float(np.median(list(upper.values()))) if len(upper) >= 3 else 0.0
        for unit, mine in upper.items():
            if usual > 0 and mine > OWN_NATURE * usual:
                made[unit][name] = mine / usual
    return made


def _rarest(held: HeldOut, rarity: Rarity) -> Floats:
    """Return, block by block, ``-log10`` of the rarest detector's rate."""
    lowest = np.full(held.block_hours.size, np.inf)
    for name, values in held.maxima.items():
        lowest = np.minimum(lowest, rarity.rate(name, values))
    return np.asarray(-np.log10(np.maximum(lowest, 1e-60)))


def surprises(
    held: dict[str, HeldOut], aside: dict[str, set[str]], sessions: dict[str, int]
) -> tuple[dict[str, set[str]], dict[str, npt.NDArray[np.bool_]]]:
    """Return the training sessions to set aside now, by unit, and the blocks to keep.

    The tails are fitted again and again without the blocks that they make a
    surprise, so that several faults cannot hide each other.
    """
    total = sum(float(h.block_hours.sum()) for h in held.values())
    kept = {u: np.ones(h.block_hours.size, dtype=bool) for u, h in held.items()}
    found: list[tuple[float, str, str]] = []
    for _ in range(6):
        rarity = fit_rarity(held, trust="low", kept=kept)
        found = []
        now = {}
        for unit, h in held.items():
            rate = rarity.combined.rate(_rarest(h, rarity))
            rare = rate * total < SURPRISE
            now[unit] = ~rare
            found += [(float(rate[k]), unit, h.block_session[k]) for k in np.flatnonzero(rare)]
        if all(np.array_equal(now[u], kept[u]) for u in kept):
            break
        kept = now
    new: dict[str, set[str]] = {}
    for _, unit, session in sorted(found):
        gone = aside.get(unit, set()) | new.get(unit, set())
        count = sessions.get(unit, 0)
        limit = max(1, int(MOST_SET_ASIDE * count))
        if count >= 4 and session not in gone and len(gone) < limit:
            new.setdefault(unit, set()).add(session)
    return new, kept


def held_out_scores(held: dict[str, HeldOut], rarity: Rarity) -> dict[str, object]:
    """Keep every held-out block's combined score, for thresholds and for show."""
    scores, sessions, hours = [], [], []
    for h in held.values():
        scores.append(rarity.score(10 ** -_rarest(h, rarity)))
        sessions += h.block_session
        hours.append(h.block_hours)
    return {
        "scores": np.round(np.concatenate(scores), 6).tolist(),
        "sessions": sessions,
        "hours": np.round(np.concatenate(hours), 9).tolist(),
    }
