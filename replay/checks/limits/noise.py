"""What every shape's size varies by on healthy joints: colour, sessions, swell.

Measured on sessions that the model had not seen. Units are few and sessions as
well, so what a unit's sessions differ by is drawn to what all units have in common.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from replay.checks.likelihood import BANDS, HALF_NORMAL, Noise, Terms, Windows, terms, windows
from replay.models.residuals import Floats, JointResiduals, SessionResiduals
from replay.signatures.kinds import Shape
from replay.signatures.registry import SHAPES
from replay.statistics.moderation import moderated

EVERYONE = "*"
"""Stands for the unit where a shape is shared by all joints."""

SHORT_LEVELS = 7
"""Windows of up to 2^7 blocks, about 25 s, tell the noise's colour, by how much neighbours
differ; longer ones tell what sessions differ by."""

USUAL = 5
"""Windows of 2^6 blocks, about 13 s, tell what usual motion weighs."""

KEPT = 40
"""Windows of one length that a session contributes: more are not independent."""


@dataclass(frozen=True, slots=True)
class Sample:
    """Windows of held-out sessions, a few of each length: sizes and what weighs them."""

    size: Floats
    energy: Floats
    doubt: Floats
    ratio: Floats
    """Squared difference of neighbours over what white noise makes of it."""

    @classmethod
    def of(cls, found: Windows) -> Sample:
        """Keep some windows of a session, evenly over it."""
        seen = np.flatnonzero(found.energy > 0.25 * found.energy.max(initial=0.0))
        seen = seen[found.energy[seen] > 0]
        some = seen[:: max(1, seen.size // KEPT)]
        energy = found.energy[some]
        return cls(found.along[some] / energy, energy, found.doubt[some] / energy, _ratio(found))

    @classmethod
    def joined(cls, parts: Sequence[Sample]) -> Sample:
        """Return several sessions' windows end to end."""
        if not parts:
            return cls(np.empty(0), np.empty(0), np.empty(0), np.empty(0))
        return cls(
            np.concatenate([p.size for p in parts]),
            np.concatenate([p.energy for p in parts]),
            np.concatenate([p.doubt for p in parts]),
            np.concatenate([p.ratio for p in parts]),
        )

    def arrays(self) -> tuple[Floats, Floats, Floats]:
        """Return sizes, energies, doubts."""
        return self.size, self.energy, self.doubt


def _ratio(found: Windows) -> Floats:
    """Compare windows a whole length apart: they share no block, and a session's offset cancels."""
    if found.first.size < 3:
        return np.empty(0)
    step = max(
        1, int(found.stop[0] - found.first[0]) // max(1, int(found.first[1] - found.first[0]))
    )
    one, other = found.energy[:-step:step], found.energy[step::step]
    least = 0.25 * found.energy.max(initial=0.0)
    both = (one > least) & (other > least)
    a, b = found.along[:-step:step][both], found.along[step::step][both]
    one, other = one[both], other[both]
    return np.asarray((a / one - b / other) ** 2 / (1.0 / one + 1.0 / other))


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
    swells: dict[str, dict[str, list[float]]] = {}
    for (unit, name), bands in sizes.items():
        for band in bands:
            z = np.concatenate(band) if band else np.zeros(0)
            far = float(np.quantile(z, SWELL[0])) if z.size >= 20 else float("nan")
            swells.setdefault(name, {}).setdefault(unit, []).append(far / SWELL[1])
    told = _sessions_of(sessions)
    for name, by in swells.items():
        table = moderated(np.array(list(by.values())) ** 2, np.array([told[u] for u in by]) - 1.0)
        for unit, row in zip(by, np.sqrt(table), strict=True):
            swell = tuple(max(float(s), 0.5) if np.isfinite(s) else 1.0 for s in row)
            made[unit][name] = replace(made[unit][name], swell=swell)
    return made


def _sessions_of(sessions: Sequence[SessionResiduals]) -> Counter[str]:
    """Count the sessions that each unit was in; what all joints share was in every one."""
    told = Counter(j.unit for s in sessions for j in s.joints.values())
    told[EVERYONE] = len(sessions)
    return told


def _coloured(sessions: Sequence[SessionResiduals]) -> dict[str, dict[str, Noise]]:
    samples: dict[tuple[str, str], list[list[Sample]]] = {}
    for session in sessions:
        for (_, unit, name), (part, step) in shape_terms(session).items():
            if not part.energy.any():
                continue
            levels = samples.setdefault((unit, name), [])
            for found in windows(
                part, step, grows=SHAPES[name].grows, least_s=SHAPES[name].least_s
            ):
                while len(levels) <= found.level:
                    levels.append([])
                levels[found.level].append(Sample.of(found))
    made: dict[str, dict[str, Noise]] = {}
    energies: dict[str, dict[str, float]] = {}
    for (unit, name), kept in samples.items():
        joined = [Sample.joined(level) for level in kept]
        made.setdefault(unit, {})[name] = _noise(joined, SHAPES[name].energy)
        longest = joined[-1].arrays()[1]
        energies.setdefault(name, {})[unit] = float(np.median(longest)) if longest.size else np.nan
    told = _sessions_of(sessions)
    for name, by in energies.items():
        # what sessions differ by is told by as many values as there are sessions
        within = np.array([made[u][name].variance_within(e) for u, e in by.items()])
        effect = np.array([made[u][name].omega ** 2 for u in by])
        freedom = np.array([told[u] for u in by]) - 1.0
        total = moderated((within + effect)[:, None], freedom)[:, 0]
        for unit, omega_2 in zip(by, np.maximum(total - within, 0.0), strict=True):
            if np.isfinite(omega_2):
                made[unit][name] = replace(made[unit][name], omega=float(np.sqrt(omega_2)))
    return made


def _noise(levels: Sequence[Sample], square: bool) -> Noise:
    centre = 0.0
    if square:
        middles = [float(np.median(s)) for s, *_ in (x.arrays() for x in levels) if s.size >= 8]
        centre = max(middles[-1] if middles else 1.0, 1e-3)
    phi: list[float] = []
    early = 0
    for level in levels[:SHORT_LEVELS]:
        ratio = level.ratio
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
