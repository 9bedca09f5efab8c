"""From held-out sessions to limits: noise of every shape, tails of every statistic.

Nothing here has seen the sessions that it judges: residuals come from models
fitted without them, tails are fitted without the sessions whose scores then tell
whether the promise holds. Rates are of blocks, a joint for ten minutes at most.
A tail is exponential beyond the median of the blocks' maxima (Pickands 1975 with
shape 0) and never lighter than that of as many normal variables.

Longer than 245 lines because noise, tails and promise are fitted on one pass of blocks.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from replay.checks.likelihood import BANDS, HALF_NORMAL, Noise, Terms, Windows, terms, windows
from replay.models.residuals import Floats, JointResiduals, SessionResiduals
from replay.settings import setting
from replay.signatures.kinds import Shape
from replay.signatures.marks import NONE, Norm, Seen, middle, pooled_norm, valued
from replay.signatures.registry import MEASURES, SHAPES

BLOCK_S = 600.0
EVERYONE = "*"
"""Stands for the unit where a shape is shared by all joints."""

SHORT_LEVELS = 7
"""Windows of up to 2^7 blocks, about 25 s, tell the noise's colour, by how much neighbours
differ; longer ones tell what sessions differ by."""

USUAL = 5
"""Windows of 2^6 blocks, about 13 s, tell what usual motion weighs."""

FEWEST_SESSIONS = 4
"""Fewer do not tell what a recorder normally delivers."""

FEWEST_MARKS = 8
"""Fewer raw sizes tell no norm of a unit; that of all units stands in."""

FOLDS = 4
KEPT = 40
"""Windows of one length that a session contributes: more are not independent."""

COMMON = 0.15
"""A finding that fewer blocks show may be a fault that hides in training."""

PLENTY, MANY_SESSIONS = 40, 12
"""From so many blocks of so many sessions on a tail may be as light as they show: sessions of
one week say little of the next season's."""

QUANTILES = (0.85, 0.97)


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

    def log_rate(self, value: Floats) -> Floats:
        """Return ln of the rate of events at least this large, per joint-hour."""
        size = np.asarray(value, dtype=np.float64)
        law = np.log(self.rate) - np.maximum(size - self.level, 0.0) / self.scale
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
        }


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
    whole: Tail = field(default_factory=lambda: Tail(0.0, 1.0, 1.0))
    """Of -ln of the rarest statistic's rate: what all of them together do."""

    def noise_of(self, unit: str, shape: Shape) -> Noise | None:
        """Return the noise of a shape on a unit, None where it was never seen."""
        return self.noise.get(EVERYONE if shape.shared else unit, {}).get(shape.name)

    def norms_of(self, unit: str, measure: str) -> Mapping[str, Norm]:
        """Return a measure's norms of a unit, those of all units where it has none."""
        own = self.norms.get(unit, {}).get(measure, {})
        return {**self.norms.get(EVERYONE, {}).get(measure, {}), **own}

    def surprise(self, statistic: str, value: Floats) -> Floats:
        """Return -ln of a statistic's rate times the number of statistics."""
        tail = self.tails.get(statistic)
        if tail is None:  # training showed none of it
            tail = _prior()
        return np.asarray(-tail.log_rate(value) - np.log(max(len(self.tails), 1)))

    def score(self, statistic: str, value: Floats) -> Floats:
        """Return -log10 of the chance that a healthy joint-hour shows anything as rare."""
        tail = self.tails.get(statistic)
        if tail is None or tail.share < COMMON:  # a prior law needs no account of the others
            log_rate = (tail or _prior()).log_rate(value)
        else:
            log_rate = self.whole.log_rate(self.surprise(statistic, value))
        rate = np.exp(np.clip(log_rate, -600.0, 10.0))
        return np.asarray(-np.log10(np.maximum(-np.expm1(-rate), 1e-260)))

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
            "whole": self.whole.to_plain(),
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
            whole=Tail(**data["whole"]),
        )


def statistic(shape: str, band: int) -> str:
    """Return the name of a shape's statistic over windows of one band."""
    return f"{shape} {BANDS[band]}"


@dataclass
class Sample:
    """Windows of held-out sessions, a few of each length: sizes and what weighs them."""

    size: list[Floats] = field(default_factory=list)
    energy: list[Floats] = field(default_factory=list)
    doubt: list[Floats] = field(default_factory=list)
    ratio: list[Floats] = field(default_factory=list)
    """Squared difference of neighbours over what white noise makes of it."""

    def add(self, found: Windows) -> None:
        """Keep some windows, evenly over the session."""
        seen = np.flatnonzero(found.energy > 0.25 * found.energy.max(initial=0.0))
        seen = seen[found.energy[seen] > 0]
        some = seen[:: max(1, seen.size // KEPT)]
        energy = found.energy[some]
        self.size.append(found.along[some] / energy)
        self.energy.append(energy)
        self.doubt.append(found.doubt[some] / energy)
        # windows a whole length apart share no block, and what a session differs by cancels
        if found.first.size < 3:
            return
        step = max(
            1, int(found.stop[0] - found.first[0]) // max(1, int(found.first[1] - found.first[0]))
        )
        one, other = found.energy[:-step:step], found.energy[step::step]
        least = 0.25 * found.energy.max(initial=0.0)
        both = (one > least) & (other > least)
        if both.any():
            a, b = found.along[:-step:step][both], found.along[step::step][both]
            one, other = one[both], other[both]
            self.ratio.append((a / one - b / other) ** 2 / (1.0 / one + 1.0 / other))

    def arrays(self) -> tuple[Floats, Floats, Floats]:
        """Return sizes, energies, doubts end to end."""
        if not self.size:
            return np.empty(0), np.empty(0), np.empty(0)
        return (
            np.concatenate(self.size),
            np.concatenate(self.energy),
            np.concatenate(self.doubt),
        )


def shape_terms(session: SessionResiduals) -> dict[tuple[str, str, str], tuple[Terms, float]]:
    """Return summands by (joint, unit, shape) and the grid's step; shared shapes once, added up."""
    made: dict[tuple[str, str, str], tuple[Terms, float]] = {}
    for shape in SHAPES.values():
        if shape.shared:
            whole = _shared(shape, list(session.joints.values()))
            if whole is not None:
                made[EVERYONE, EVERYONE, shape.name] = whole
            continue
        for joint in session.joints.values():
            made[joint.joint, joint.unit, shape.name] = (terms(shape, joint), joint.step_s)
    return made


def _shared(shape: Shape, joints: Sequence[JointResiduals]) -> tuple[Terms, float] | None:
    parts = [(j, terms(shape, j)) for j in joints]
    parts = [(j, t) for j, t in parts if t.energy.any()]
    if not parts:
        return None
    size = min(t.along.size for _, t in parts)
    total = Terms(np.zeros(size), np.zeros(size), np.zeros(size))
    for _, part in parts:
        total = total + Terms(part.along[:size], part.energy[:size], part.doubt[:size])
    return total, parts[0][0].step_s


SWELL = (0.95, 1.96)
"""A quantile of healthy sizes, and where a normal variable has it."""


def fit_noise(sessions: Sequence[SessionResiduals]) -> dict[str, dict[str, Noise]]:
    """Measure colour, session effect and swell of every shape on every unit, held out."""
    made = _coloured(sessions)
    sizes: dict[tuple[str, str], list[list[Floats]]] = {}
    for session in sessions:
        for (_, unit, name), (part, step) in shape_terms(session).items():
            if not part.energy.any():
                continue
            bands = sizes.setdefault((unit, name), [[] for _ in BANDS])
            for found in windows(
                part, step, grows=SHAPES[name].grows, least_s=SHAPES[name].least_s
            ):
                z = np.abs(found.z(made[unit][name]))
                bands[found.band].append(z[found.energy > 0])
    for (unit, name), bands in sizes.items():
        swell = []
        for band in bands:
            z = np.concatenate(band) if band else np.zeros(0)
            far = float(np.quantile(z, SWELL[0])) if z.size >= 20 else SWELL[1]
            swell.append(max(far / SWELL[1], 0.5))
        made[unit][name] = replace(made[unit][name], swell=tuple(swell))
    return made


def _coloured(sessions: Iterable[SessionResiduals]) -> dict[str, dict[str, Noise]]:
    samples: dict[tuple[str, str], list[Sample]] = {}
    for session in sessions:
        for (_, unit, name), (part, step) in shape_terms(session).items():
            if not part.energy.any():
                continue
            levels = samples.setdefault((unit, name), [])
            for found in windows(
                part, step, grows=SHAPES[name].grows, least_s=SHAPES[name].least_s
            ):
                while len(levels) <= found.level:
                    levels.append(Sample())
                levels[found.level].add(found)
    made: dict[str, dict[str, Noise]] = {}
    for (unit, name), levels in samples.items():
        made.setdefault(unit, {})[name] = _noise(levels, SHAPES[name].energy)
    return made


def _noise(levels: Sequence[Sample], square: bool) -> Noise:
    centre = 0.0
    if square:
        middles = [float(np.median(s)) for s, *_ in (x.arrays() for x in levels) if s.size >= 8]
        centre = max(middles[-1] if middles else 1.0, 1e-3)
    phi: list[float] = []
    early = 0
    for level in levels[:SHORT_LEVELS]:
        ratio = np.concatenate(level.ratio) if level.ratio else np.empty(0)
        if ratio.size < 20:
            if phi:
                break
            early += 1  # windows too short to say anything
            continue
        if square:  # of logarithms, which is what is judged
            size, energy, _ = level.arrays()
            size, energy = _log(size, energy, centre)
            ratio = size**2 * energy
        phi.append(max(float(np.median(ratio)) / HALF_NORMAL, phi[-1] if phi else 0.1))
    phi = [*(phi[:1] * early), *phi] or [1.0]
    omega = 0.0
    for level in levels[SHORT_LEVELS:]:
        size, energy, doubt = level.arrays()
        size, energy = _log(size, energy, centre)
        if size.size >= 8:
            omega = max(omega, _omega(size, phi[-1] / energy + doubt**2))
    for k, level in enumerate(levels[: len(phi)]):
        # neighbours within the filter's own length are alike: there the sizes themselves tell
        size, energy, doubt = level.arrays()
        size, energy = _log(size, energy, centre)
        if size.size >= 20:
            own = np.median(size**2 / (1.0 / energy + doubt**2)) / HALF_NORMAL
            phi[k] = max(phi[k], float(own - omega**2 * np.median(energy)))
    phi = np.maximum.accumulate(phi).tolist()
    usual = levels[min(USUAL, len(levels) - 1)].arrays()[1] if levels else np.empty(0)
    typical = float(np.median(usual)) if usual.size else 0.0
    return Noise(tuple(phi), omega, centre, typical)


def _log(size: Floats, energy: Floats, centre: float) -> tuple[Floats, Floats]:
    """Return a mean square's logarithm beside its centre; anything else as it is."""
    if centre <= 0:
        return size, energy
    return np.log(np.maximum(size, 1e-9) / centre), energy * centre**2


def _omega(size: Floats, variance: Floats) -> float:
    """Return what must be added to the variances so that the sizes are as large as they say."""
    low, high = 0.0, float(np.max(np.abs(size)) + 1e-12)
    if np.median(size**2 / variance) <= HALF_NORMAL:
        return 0.0
    for _ in range(40):
        mid = 0.5 * (low + high)
        if np.median(size**2 / (variance + mid**2)) > HALF_NORMAL:
            low = mid
        else:
            high = mid
    return high


def fit_norms(seen: Iterable[tuple[str, Mapping[str, Seen]]]) -> dict[str, Any]:
    """Return norms by unit, measure and cell from (unit, what its measures saw) of sessions."""
    cells: dict[tuple[str, str, str], list[Norm]] = {}
    raws: dict[tuple[str, str, str], list[list[float]]] = {}
    given = list(seen)
    sessions = Counter(unit for unit, _ in given)
    for unit, by in given:
        for measure, found in by.items():
            for cell, norm in found.usual.items():
                if MEASURES[measure].unit == "rows" and sessions[unit] < FEWEST_SESSIONS:
                    norm = (0.0, found.prior)  # a recorder is not known from so few
                for who in (unit, EVERYONE):
                    cells.setdefault((who, measure, cell), []).append(norm)
            if MEASURES[measure].pooled:
                own: dict[str, list[float]] = {}
                for mark in found.marks:
                    own.setdefault(mark.cell, []).append(mark.raw)
                for cell, raw in own.items():
                    for who in (unit, EVERYONE):
                        raws.setdefault((who, measure, cell), []).append(raw)
    made: dict[str, dict[str, dict[str, Norm]]] = {}
    for (unit, measure, cell), norms in cells.items():
        norm = middle(norms)
        if MEASURES[measure].pooled:
            few = sessions[unit] if unit != EVERYONE else max(sessions.values())
            norm = _pooled(raws.get((unit, measure, cell), []), norm[1], few=few < FEWEST_SESSIONS)
        if np.isfinite(norm[1]):
            made.setdefault(unit, {}).setdefault(measure, {})[cell] = norm
    return made


def _pooled(sessions: Sequence[Sequence[float]], least: float, *, few: bool) -> Norm:
    """Return the norm of raw sizes by session: the middle of sessions with many, else of all."""
    if not np.isfinite(least):
        return NONE
    most = 4.0 if few else float("inf")
    rich = [pooled_norm(np.array(raw), least, most) for raw in sessions if len(raw) >= FEWEST_MARKS]
    if len(rich) > len(sessions) / 2:
        order = sorted(rich, key=lambda n: n[1])
        return order[(len(order) - 1) // 2]  # the lower middle: half of them may be faulty
    every = np.array([r for raw in sessions for r in raw])
    if every.size >= FEWEST_MARKS:
        return pooled_norm(every, least, most)
    if not few:
        return NONE  # seldom met: the norm of all units stands in, else none is known
    return 0.0, max(least, float(np.quantile(every, 0.25)) if every.size else 0.0)


@dataclass(frozen=True, slots=True)
class Block:
    """One joint for ten minutes: the largest value of every statistic."""

    session: str
    joint: str
    hours: float
    most: Mapping[str, float]


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


def fit_tails(blocks: Sequence[Block], sessions: int = MANY_SESSIONS) -> dict[str, Tail]:
    """Fit the tail of every statistic to the blocks' largest values, of so many sessions."""
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
        mine = [b for b in blocks if (b.joint == EVERYONE) == shared]
        if mine and (normal == 0.0 or any(name in b.most for b in mine)):
            values = np.array([b.most.get(name, 0.0) for b in mine])
            hours = float(np.mean([b.hours for b in mine]))
            made[name] = fit_tail(values, hours, normal=normal, sessions=sessions)
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


def _prior() -> Tail:
    level, rate, scale = (setting(f"prior_{n}") for n in ("level", "rate", "scale"))
    return Tail(level, rate, scale, share=0.0)


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
    noise = fit_noise(sessions)
    norms = fit_norms(
        (session.joints[joint].unit, by)
        for session in sessions
        for joint, by in seen.get(session.session, {}).items()
        if joint in session.joints
    )
    bare = Calibration(noise, norms, {})
    blocks = [b for s in sessions for b in blocks_of(s, seen.get(s.session, {}), bare)]
    odd: set[int] = set()
    surprise = _left_out(blocks, bare, odd)
    for _ in range(2):
        odd = _odd(surprise)
        surprise = _left_out(blocks, bare, odd)
    kept = [b for k, b in enumerate(blocks) if k not in odd]
    rest = np.array([s for k, s in enumerate(surprise) if k not in odd])
    usual = _usual(sessions, seen)
    tails = fit_tails(kept, len({b.session for b in blocks}))
    final = Calibration(
        noise, norms, tails, usual, _whole(rest, kept, len({b.session for b in blocks}))
    )
    scores = final.whole.log_rate(surprise)
    chance = -np.log10(np.maximum(-np.expm1(-np.exp(np.clip(scores, -600, 10))), 1e-260))
    return final, {
        "scores": [round(float(s), 4) for s in chance],
        "sessions": [b.session for b in blocks],
        "hours": [b.hours if b.joint != EVERYONE else 0.0 for b in blocks],
    }


def _odd(surprise: Floats) -> set[int]:
    """Return the blocks that fit no law of the others: what hides in training, at most a share."""
    most = int(len(surprise) * setting("odd_share"))
    order = np.argsort(-surprise)[:most]
    return {int(k) for k in order if surprise[k] > setting("odd_block")}


def _left_out(blocks: Sequence[Block], bare: Calibration, odd: set[int]) -> Floats:
    """Return every block's surprise by tails that were fitted without its session."""
    names = sorted({b.session for b in blocks})
    surprise = np.zeros(len(blocks))
    for k in range(min(FOLDS, len(names))):
        out = set(names[k::FOLDS])
        taught = [b for i, b in enumerate(blocks) if b.session not in out and i not in odd]
        law = replace(bare, tails=fit_tails(taught or list(blocks), len(names)))
        for i, block in enumerate(blocks):
            if block.session in out:
                surprise[i] = _rarest(law, block)
    return surprise


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


def _rarest(law: Calibration, block: Block) -> float:
    quiet = {m.name for m in MEASURES.values() if not m.sought}
    values = [float(law.surprise(n, np.array(v))) for n, v in block.most.items() if n not in quiet]
    return max(values, default=-np.log(1e3))


def _whole(surprise: Floats, blocks: Sequence[Block], sessions: int) -> Tail:
    """Fit the law of the rarest statistic; by itself its rate would be exp(-surprise)."""
    hours = float(np.mean([b.hours for b in blocks])) if blocks else 1.0
    if surprise.size < 8:
        return Tail(0.0, 1.0, 1.0)
    low, high = (float(np.quantile(surprise, q)) for q in QUANTILES)
    part = [-np.log(q) for q in QUANTILES]
    scale = (high - low) / np.log(part[0] / part[1])
    least = 1.0 + max(0.0, 1.0 - sessions / MANY_SESSIONS)
    most = max(setting("slowest"), least)
    return Tail(high, part[1] / hours, float(np.clip(scale, least, most)), 0.0)
