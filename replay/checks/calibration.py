"""From held-out sessions to limits: noise of every shape, norms of every measure, tails.

Nothing here has seen the sessions that it judges: residuals come from models, and
sizes from noise and norms, that were fitted without them; tails are fitted without
the sessions whose scores then tell whether the promise holds. Rates are of blocks,
a joint for ten minutes at most.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from replay.checks.likelihood import BANDS, Noise, windows
from replay.checks.noise import EVERYONE, fit_noise, shape_terms
from replay.checks.norms import fit_norms
from replay.checks.tails import (
    COMMON,
    CURRENT,
    FAMILIES,
    NOTHING,
    Block,
    Tail,
    chance,
    family,
    family_laws,
    fit_tails,
    prior_tail,
    statistic,
)
from replay.models.residuals import Floats, SessionResiduals
from replay.settings import setting
from replay.signatures.kinds import Shape
from replay.signatures.marks import Norm, Seen, valued
from replay.signatures.registry import MEASURES, SHAPES

BLOCK_S = 600.0

FOLDS = 4


@dataclass(frozen=True)
class Calibration:
    """All that a check needs beside the model; plain numbers."""

    noise: Mapping[str, Mapping[str, Noise]]
    """By unit (`EVERYONE` for shared shapes) and shape."""
    norms: Mapping[str, Mapping[str, Mapping[str, Norm]]]
    """By unit, measure and cell."""
    tails: Mapping[str, Tail]
    usual: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """By unit: measures that most of its sessions show beyond their prior limit."""
    whole: Mapping[str, Tail] = field(default_factory=dict)
    """By family: of -ln of the rate of its rarest statistic, what all of it together does."""

    def noise_of(self, unit: str, shape: Shape) -> Noise | None:
        """Return the noise of a shape on a unit, None where it was never seen."""
        return self.noise.get(EVERYONE if shape.shared else unit, {}).get(shape.name)

    def norms_of(self, unit: str, measure: str) -> Mapping[str, Norm]:
        """Return a measure's norms of a unit, those of all units where it has none."""
        own = self.norms.get(unit, {}).get(measure, {})
        return {**self.norms.get(EVERYONE, {}).get(measure, {}), **own}

    def surprise(self, statistic: str, value: Floats) -> Floats:
        """Return -ln of a statistic's rate times the number of statistics in its family."""
        tail = self.tails.get(statistic) or prior_tail()  # training showed none of it
        many = sum(family(name) == family(statistic) for name in self.tails)
        return np.asarray(-tail.log_rate(value) - np.log(max(many, 1)))

    def rate(self, kind: str, surprise: Floats) -> Floats:
        """Return ln of the rate at which any family is as rare as one is."""
        law = self.whole.get(kind, Tail(0.0, 1.0, 1.0))
        share = 0.5 if kind == CURRENT else 0.5 / max(len(self.whole) - 1, 1)
        return np.asarray(law.log_rate(surprise) - np.log(share))

    def score(self, statistic: str, value: Floats) -> Floats:
        """Return -log10 of the chance that a healthy joint-hour shows anything as rare."""
        tail = self.tails.get(statistic)
        if tail is None or tail.share < COMMON:  # a prior law needs no account of the others
            log_rate = (tail or prior_tail()).log_rate(value)
        else:
            log_rate = self.rate(family(statistic), self.surprise(statistic, value))
        return chance(log_rate)

    def to_plain(self) -> dict[str, Any]:
        """Return what JSON holds."""
        return {
            "noise": {
                u: {
                    s: {
                        "phi": list(n.phi),
                        "omega": n.omega,
                        "centre": n.centre,
                        "energy": n.usual_energy,
                        "swell": list(n.swell),
                    }
                    for s, n in by.items()
                }
                for u, by in self.noise.items()
            },
            "norms": {
                u: {m: {c: list(n) for c, n in cells.items()} for m, cells in by.items()}
                for u, by in self.norms.items()
            },
            "tails": {name: tail.to_plain() for name, tail in self.tails.items()},
            "usual": {u: list(names) for u, names in self.usual.items()},
            "whole": {name: tail.to_plain() for name, tail in self.whole.items()},
        }

    @classmethod
    def from_plain(cls, data: Mapping[str, Any]) -> Calibration:
        """Rebuild from a stored document."""
        return cls(
            noise={
                u: {
                    s: Noise(
                        tuple(n["phi"]), n["omega"], n["centre"], n["energy"], tuple(n["swell"])
                    )
                    for s, n in by.items()
                }
                for u, by in data["noise"].items()
            },
            norms={
                u: {
                    m: {c: (float(n[0]), float(n[1])) for c, n in cells.items()}
                    for m, cells in by.items()
                }
                for u, by in data["norms"].items()
            },
            tails={name: Tail(**tail) for name, tail in data["tails"].items()},
            usual={u: tuple(names) for u, names in data["usual"].items()},
            whole={name: Tail(**tail) for name, tail in data["whole"].items()},
        )


def blocks_of(
    session: SessionResiduals,
    seen: Mapping[str, Mapping[str, Seen]],
    calibration: Calibration,
) -> list[Block]:
    """Return the largest values of a session's joints, block by block.

    Parameters
    ----------
    session : SessionResiduals
    seen : mapping
        By joint and measure.
    calibration : Calibration
        With noise and norms; tails are not needed.
    """
    length = {j.joint: float(j.t_s[-1] - j.t_s[0]) + j.step_s for j in session.joints.values()}
    longest = max(length.values(), default=0.0)
    count = max(1, round(longest / BLOCK_S))
    most: dict[tuple[str, int], dict[str, float]] = {
        (joint, k): {} for joint in (*session.joints, EVERYONE) for k in range(count)
    }

    def put(joint: str, name: str, at_s: Floats, size: Floats) -> None:
        block = np.clip((at_s / max(longest, 1e-9) * count).astype(int), 0, count - 1)
        for k in np.unique(block):
            into = most[joint, int(k)]
            into[name] = max(into.get(name, 0.0), float(np.max(np.abs(size[block == k]))))

    for (joint, unit, name), (part, step) in shape_terms(session).items():
        noise = calibration.noise_of(unit, SHAPES[name])
        if noise is None or not part.energy.any() or not SHAPES[name].sought:
            continue
        for found in windows(part, step, grows=SHAPES[name].grows, least_s=SHAPES[name].least_s):
            where = 0.5 * (found.first + found.stop) * step
            put(joint, statistic(name, found.band), where, found.z(noise))
    for joint, by in seen.items():
        unit = session.joints[joint].unit if joint in session.joints else joint
        for measure, one in by.items():
            marks = valued(one.marks, calibration.norms_of(unit, measure))
            if (joint, 0) not in most:
                continue
            for name in {MEASURES[measure].statistic(m) for m in marks if m.value > 0}:
                mine = [m for m in marks if m.value > 0 and MEASURES[measure].statistic(m) == name]
                at, size = ([getattr(m, f) for m in mine] for f in ("start_s", "value"))
                put(joint, name, np.array(at), np.array(size))
    shared = {statistic(s.name, k) for s in SHAPES.values() if s.shared for k in range(len(BANDS))}
    return [
        Block(
            session.session,
            joint,
            (length.get(joint, longest)) / 3600 / count,
            {n: v for n, v in by.items() if (n in shared) == (joint == EVERYONE)},
        )
        for (joint, _), by in most.items()
        if joint != EVERYONE or by
    ]


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
    surprise = _left_out(blocks, bare, odd)
    for _ in range(2):
        odd = _odd(surprise)
        surprise = _left_out(blocks, bare, odd)
    kept = [k for k in range(len(blocks)) if k not in odd]
    final = replace(
        bare,
        tails=fit_tails([blocks[k] for k in kept], len(names)),
        usual=_usual(sessions, seen),
        whole=family_laws(
            {f: s[kept] for f, s in surprise.items()}, [blocks[k] for k in kept], len(names)
        ),
    )
    rates = [final.rate(f, s) for f, s in surprise.items()]
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


def _left_out(blocks: Sequence[Block], bare: Calibration, odd: set[int]) -> dict[str, Floats]:
    """Return every block's surprise, by family, by tails fitted without its session."""
    names = sorted({b.session for b in blocks})
    quiet = {m.name for m in MEASURES.values() if not m.sought}
    made = {f: np.full(len(blocks), NOTHING) for f in FAMILIES}
    for k in range(min(FOLDS, len(names))):
        out = set(names[k::FOLDS])
        taught = [b for i, b in enumerate(blocks) if b.session not in out and i not in odd]
        law = replace(bare, tails=fit_tails(taught or list(blocks), len(names)))
        for i, block in enumerate(blocks):
            for name, value in block.most.items() if block.session in out else ():
                if name not in quiet:
                    of = made[family(name)]
                    of[i] = max(of[i], float(law.surprise(name, np.array(value))))
    return made


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
