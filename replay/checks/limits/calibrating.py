"""From held-out sessions to limits: noise of every shape, norms of every measure, tails.

Nothing here has seen the sessions that it judges: residuals come from models, and
sizes from noise and norms, that were fitted without them; tails are fitted without
the sessions whose scores then tell whether the promise holds. Rates are of blocks,
a joint for ten minutes at most.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from replay.checks.limits.block_maxima import blocks_of
from replay.checks.limits.calibration import Calibration
from replay.checks.limits.extreme_values import (
    FAMILIES,
    NOTHING,
    Block,
    chance,
    family,
    family_laws,
    fit_tails,
)
from replay.checks.limits.noise import EVERYONE, fit_noise
from replay.checks.limits.norms import fit_norms
from replay.models.residuals import Floats, SessionResiduals
from replay.settings import setting
from replay.signatures.marks import Seen
from replay.signatures.registry import MEASURES

FOLDS = 4


def calibrate(
    sessions: Sequence[SessionResiduals], seen: Mapping[str, Mapping[str, Mapping[str, Seen]]]
) -> tuple[Calibration, dict[str, list[Any]]]:
    """Calibrate on held-out sessions.

    Parameters
    ----------
    sessions : sequence of SessionResiduals
        Each judged by a model that was fitted without it.
    seen : mapping
        By session, joint and measure.

    Returns
    -------
    Calibration, and the scores of blocks by tails that did not see them, with
    their sessions and hours: what the promise is checked on.
    """
    bare = _bare(sessions, seen)
    names = sorted({s.session for s in sessions})
    blocks = []
    for k in range(min(FOLDS, len(names))):
        out = set(names[k::FOLDS])
        rest = [s for s in sessions if s.session not in out]
        law = _bare(rest, seen) if rest else bare
        left = [s for s in sessions if s.session in out]
        blocks += [b for s in left for b in blocks_of(s, seen.get(s.session, {}), law)]
    odd: set[int] = set()
    surprise, _ = _left_out(blocks, bare, odd)
    for _ in range(2):
        odd = _odd(surprise)
        surprise, seldom = _left_out(blocks, bare, odd)
    kept = [k for k in range(len(blocks)) if k not in odd]
    final = replace(
        bare,
        tails=fit_tails([blocks[k] for k in kept], len(names), [blocks[k] for k in sorted(odd)]),
        usual=_usual(sessions, seen),
        whole=family_laws(
            {f: s[kept] for f, s in surprise.items()}, [blocks[k] for k in kept], len(names)
        ),
    )
    rates = [seldom, *(final.rate(f, s) for f, s in surprise.items())]
    return final, {
        "scores": [round(float(s), 4) for s in chance(np.min(rates, axis=0))],
        "sessions": [b.session for b in blocks],
        "hours": [b.hours if b.joint != EVERYONE else 0.0 for b in blocks],
    }


def _bare(
    sessions: Sequence[SessionResiduals], seen: Mapping[str, Mapping[str, Mapping[str, Seen]]]
) -> Calibration:
    """Return noise and norms of some sessions, without tails."""
    norms = fit_norms(
        (session.joints[joint].unit, by)
        for session in sessions
        for joint, by in seen.get(session.session, {}).items()
        if joint in session.joints
    )
    return Calibration(fit_noise(sessions), norms, {})


def _odd(surprise: Mapping[str, Floats]) -> set[int]:
    """Return the blocks that fit no law of the others: what hides in training, at most a share."""
    rarest = np.max(list(surprise.values()), axis=0) - np.log(len(surprise))
    most = int(len(rarest) * setting("odd_share"))
    return {int(k) for k in np.argsort(-rarest)[:most] if rarest[k] > setting("odd_block")}


def _left_out(
    blocks: Sequence[Block], bare: Calibration, odd: set[int]
) -> tuple[dict[str, Floats], Floats]:
    """Return every block's surprise, by family, by tails fitted without its session.

    Also ln of the least rate of what is seldom seen, which a check holds to its own tail alone.
    """
    names = sorted({b.session for b in blocks})
    quiet = {m.name for m in MEASURES.values() if not m.sought}
    made = {f: np.full(len(blocks), NOTHING) for f in FAMILIES}
    seldom = np.full(len(blocks), -NOTHING)
    for k in range(min(FOLDS, len(names))):
        out = set(names[k::FOLDS])
        taught = [b for i, b in enumerate(blocks) if b.session not in out and i not in odd]
        aside = [b for i, b in enumerate(blocks) if b.session not in out and i in odd]
        law = replace(bare, tails=fit_tails(taught or list(blocks), len(names), aside))
        for i, block in enumerate(blocks):
            for name, value in block.most.items() if block.session in out else ():
                if name in quiet:
                    continue
                of = made[family(name)]
                of[i] = max(of[i], float(law.surprise(name, np.array(value))))
                own = law.seldom(name)
                if own is not None:
                    seldom[i] = min(seldom[i], float(own.log_rate(np.array(value))))
    return made, seldom


def _usual(
    sessions: Sequence[SessionResiduals], seen: Mapping[str, Mapping[str, Mapping[str, Seen]]]
) -> dict[str, tuple[str, ...]]:
    """Return what most sessions of a unit show beyond the limit of a recorder not known."""
    limit = setting("prior_level")
    shown: dict[str, dict[str, list[bool]]] = {}
    for session in sessions:
        for joint, by in seen.get(session.session, {}).items():
            for name in ("silence", "lost"):
                if joint in session.joints and name in by:
                    most = max((m.raw for m in by[name].marks), default=0.0)
                    unit = shown.setdefault(session.joints[joint].unit, {})
                    unit.setdefault(name, []).append(most > limit * by[name].prior)
    return {
        unit: names
        for unit, by in shown.items()
        if (names := tuple(n for n, hits in by.items() if np.mean(hits) > 0.5))
    }
