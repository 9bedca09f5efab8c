"""By how much payloads' mass centres and masses are off, as training's carries tell it.

By session and by carry beside that: variance components by maximum likelihood over what fits each
carry best, with a t distribution so that odd carries do not decide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from replay.models.loading.loads import FROM_FILE
from replay.models.residuals import Floats
from replay.settings import setting

FEWEST_CARRIES = 4
"""Fewer do not tell by how much grips differ."""

FREEDOM = 4.0
"""Of the t distribution by which training's sessions count: one that is odd for another
reason does not decide (Lange, Little & Taylor, JASA 84, 1989)."""

STEPS = 13
"""Values of each spread that are tried, a factor of two apart."""

FEWEST_NATS = 10.0
"""Grips are believed to differ where that explains so much more than chance does."""


@dataclass(frozen=True, slots=True)
class Spread:
    """By how much mass centres are off, an axis, m: by session, and by carry beside that."""

    session_m: float = 0.0
    carry_m: float = 0.0
    mass_share: float = 0.0
    """By which share of it a declared mass is off."""

    @property
    def known(self) -> bool:
        """Whether training's carries told anything."""
        return self.whole_m > 0 or self.mass_share > 0

    @property
    def whole_m(self) -> float:
        """Both together."""
        return float(np.hypot(self.session_m, self.carry_m))

    def words(self, drawn: str) -> str:
        """Say by how much payloads lie beside where they are drawn; empty where they do not."""
        if self.whole_m <= 0:
            return ""
        size = f"about {1e3 * self.whole_m:.2g} mm (an axis) " if drawn == FROM_FILE else ""
        each = "session" if self.session_m >= self.carry_m else "carry"
        place = "the arm file draws it" if drawn == FROM_FILE else "the chain that was found has it"
        return (
            f"the mass centre of payloads lies {size}beside where {place}, differently from "
            f"{each} to {each}: it is estimated within every session"
        )


FREE = Spread(float("inf"), float("inf"), 1.0)
"""Whatever fits."""


def usual_spread(sessions: Sequence[Sequence[tuple[Floats, Floats]]]) -> Spread:
    """Return by how much grips are off: nothing where no more than chance shows.

    Parameters
    ----------
    sessions : sequence
        Of training's sessions the offsets that fit each carry best, with their covariances.
    """
    told = [s for s in sessions if s]
    if sum(len(s) for s in told) < FEWEST_CARRIES:
        return Spread()
    metres = [[(c[:3], p[:3, :3]) for c, p in s] for s in told]
    shares = [[(c[3:], p[3:, 3:])] for s in told for c, p in s]
    tried = _tried(metres)
    nats = {(a, b): sum(_nats(s, a, b) for s in metres) for a in tried for b in tried}
    best = max(nats, key=lambda s: nats[s])
    if nats[best] - nats[0.0, 0.0] <= FEWEST_NATS:
        best = (0.0, 0.0)
    mass = {a: sum(_nats(s, 0.0, a) for s in shares) for a in _tried(shares)}
    share = max(mass, key=lambda a: mass[a])
    share = share if mass[share] - mass[0.0] > FEWEST_NATS else 0.0
    return Spread(*best, mass_share=max(share, 0.5 * setting("misfit_share")))


def _tried(told: Sequence[Sequence[tuple[Floats, Floats]]]) -> list[float]:
    """Return spreads to try: none, and from the least that any carry tells upward."""
    least = min(float(np.sqrt(np.linalg.eigvalsh(p)[0])) for s in told for _, p in s)
    return [0.0, *(least * 2.0**k for k in range(STEPS))]


def _nats(session: Sequence[tuple[Floats, Floats]], session_m: float, carry_m: float) -> float:
    axes = len(session[0][0])
    size = axes * len(session)
    whole = np.kron(np.ones((len(session), len(session))), np.eye(axes)) * session_m**2
    for k, (_, covariance) in enumerate(session):
        own = slice(axes * k, axes * k + axes)
        whole[own, own] += covariance + np.eye(axes) * carry_m**2
    off = np.concatenate([c for c, _ in session])
    chi2 = float(off @ np.linalg.solve(whole, off))
    log_det = float(np.linalg.slogdet(whole)[1])
    return float(-0.5 * log_det - 0.5 * (FREEDOM + size) * np.log1p(chi2 / FREEDOM))
