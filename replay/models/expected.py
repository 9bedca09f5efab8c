"""The current that a joint unit should draw, and how far off is still normal.

Three populations are kept apart: held by the brake, holding still on the
motor, and moving. Each has its own robust fit; only blocks that help on
sessions left out of the fit are kept, so that a log in which speed explains
nothing gets a flat expectation and a wide band instead of a made-up curve.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from replay.models import design, posture, robust
from replay.models.bins import HELD, HOLDING, MOVING, Bins, Floats, Ints
from replay.models.region import Region
from replay.models.remainder import Remainder
from replay.models.sessions import (
    adapted,
    session_gain,
    session_spread,
    session_weights,
    split_halves,
    split_stretches,
)
from replay.models.spreads import Spread

GAIN_TO_KEEP = 0.005
"""A block stays when it takes this share off the held-out error."""

MIN_ROWS = 40

FEWEST_FOR_POSTURE = 6
"""From fewer sessions the coincidences of their paths pass for posture; where the
load is known, there is little left for it to tell."""

SPREAD_OVER = 4.0
"""A block that varies in fewer sessions than this is tried on stretches of them
all: halves of the sessions would try it where it was not, or learn it there."""


@dataclass(slots=True)
class Population:
    """The fit of one of the three populations."""

    coefficients: Floats
    inverse: Floats
    blocks: tuple[str, ...]
    gain_sd: float
    """Healthy spread, from session to session, of the factor by which the
    posture's current differs from the fit: payloads that no log names."""
    explained: float
    """Share of the current's robust variance that the fit explains."""
    spread: Spread


@dataclass(slots=True)
class ExpectedCurrent:
    """Expected motor current of one joint unit.

    After `fit`: ``populations_`` by motion code, ``scales_``, ``region_``,
    ``sample_sd_`` (spread of single samples about their bin, A) and
    ``session_sd_`` (spread of whole sessions about the fit, A).
    """

    scales_: design.Scales | None = None
    populations_: dict[int, Population] = field(default_factory=dict)
    region_: Region = field(default_factory=Region)
    sample_sd_: dict[int, float] = field(default_factory=dict)
    session_sd_: dict[int, float] = field(default_factory=dict)
    step_noise_: float = 0.0
    """Noise of a sample beside its neighbours while moving, A; 0 unknown."""
    remainder_: Remainder | None = None

    def fit(self, bins: Bins, group: Ints, like: ExpectedCurrent | None = None) -> ExpectedCurrent:
        """Learn from bins of several sessions.

        Parameters
        ----------
        bins : Bins
            Bins of one joint unit.
        group : array, shape (bins,)
            The session that each bin came from; blocks are chosen, and the
            remainder is learned, across sessions, never within one.
        like : ExpectedCurrent, optional
            A fit whose choice of blocks is taken over instead of choosing.
        """
        usable = np.isfinite(bins.current)
        rows = usable & (bins.motion == MOVING) & np.isfinite(bins.rate)
        self.scales_ = design.Scales.measure(bins.take(rows) if rows.any() else bins)
        if like is not None and like.scales_ is not None:
            self.scales_ = replace(self.scales_, terms=like.scales_.terms, ends=like.scales_.ends)
        else:
            self._choose_terms(bins, rows, group)
        self.region_ = Region.learn(bins, rows, group, self.scales_.speed)
        self.step_noise_ = _step_noise(bins.current_jag[rows])
        for code in (HELD, HOLDING, MOVING):
            mine = usable & (bins.motion == code)
            if code == MOVING:
                mine &= np.isfinite(bins.rate)
            if int(mine.sum()) >= MIN_ROWS:
                known = like.populations_.get(code) if like is not None else None
                self._fit_population(
                    code, bins.take(mine), group[mine], known.blocks if known else None
                )
        return self

    def predict(self, bins: Bins) -> tuple[Floats, Floats, npt.NDArray[np.bool_]]:
        """Return ``(expected_a, spread_a, seen)`` bin by bin.

        Where the region was not seen in training, expectation and spread are
        NaN.
        """
        size = len(bins)
        expected = np.full(size, np.nan)
        sd = np.full(size, np.nan)
        seen = self.seen(bins)
        for code, fit in self.populations_.items():
            mine = np.flatnonzero((bins.motion == code) & seen)
            if not mine.size:
                continue
            part = bins.take(mine)
            matrix = self._matrix(code, part, fit.blocks)
            value = matrix @ fit.coefficients
            if code == MOVING and self.remainder_ is not None:
                value = value + self.remainder_.predict(part)
            if fit.gain_sd > 0:
                given = self._posture_part(code, matrix, fit.blocks, fit.coefficients)
                noise = float(np.median(fit.spread.sd))
                value = value + given * session_gain(
                    given, part.current - value, noise, fit.gain_sd
                )
            leverage = np.sum((matrix @ fit.inverse) * matrix, axis=1)
            session = self.session_sd_.get(code, 0.0)
            expected[mine] = value
            sd[mine] = np.sqrt(fit.spread.of(part, code) ** 2 + session**2 * (1.0 + leverage))
        return expected, sd, seen & np.isfinite(expected)

    def seen(self, bins: Bins) -> npt.NDArray[np.bool_]:
        """Tell which bins lie in a region that training covered."""
        ok = np.zeros(len(bins), dtype=bool)
        assert self.scales_ is not None
        terms = self.scales_.terms
        blind = bool(terms) and bins.posture.shape[1] != len(terms[0])
        for code, fit in self.populations_.items():
            if not (blind and "posture" in fit.blocks):
                ok |= bins.motion == code
        if self.scales_.bases:
            # what hangs on a joint from the other end, nothing told so far
            ok &= np.isin(bins.base_b, self.scales_.bases) | np.isnan(bins.base_b)
        return np.asarray(ok & self.region_.covers(bins))

    def sample_noise(self) -> float:
        """Return how far a single healthy sample stands off its neighbours, A.

        A log whose current hardly ever moves by less than a step tells nothing
        of that: there the spread of bins has it all.
        """
        if self.step_noise_ > 0:
            return self.step_noise_
        known = self.populations_.get(MOVING)
        own = self.sample_sd_.get(MOVING, 0.0)
        return float(np.hypot(own, np.median(known.spread.sd))) if known else own

    def posture_current(self, bins: Bins) -> Floats:
        """Return the current that the fit gives to posture, A; 0 where it gives none."""
        out = np.zeros(len(bins))
        for code, fit in self.populations_.items():
            mine = np.flatnonzero(bins.motion == code)
            if mine.size and "posture" in fit.blocks:
                part = bins.take(mine)
                out[mine] = self._posture_part(
                    code, self._matrix(code, part, fit.blocks), fit.blocks, fit.coefficients
                )
        return out

    # fitting ----------------------------------------------------------------
    def _fit_population(
        self, code: int, bins: Bins, group: Ints, given: tuple[str, ...] | None
    ) -> None:
        weight = session_weights(group)
        blocks = given or self._choose_blocks(code, bins, group, weight)
        matrix = self._matrix(code, bins, blocks)
        beta, inverse, _ = robust.fit(matrix, bins.current, weight)
        rest = bins.current - matrix @ beta
        if code == MOVING:
            self.remainder_ = Remainder.learn(bins, rest, group)
            if self.remainder_ is not None:
                rest = rest - self.remainder_.predict(bins)
        asked = self._posture_part(code, matrix, blocks, beta)
        gain_sd, shift = adapted(asked, rest, group)
        for _ in range(2 if gain_sd > 0 else 0):  # a mixture of payloads bends the fit
            beta, inverse, _ = robust.fit(matrix, bins.current - shift, weight)
            rest = bins.current - matrix @ beta
            asked = self._posture_part(code, matrix, blocks, beta)
            gain_sd, shift = adapted(asked, rest, group)
        rest = rest - shift
        floor = max(
            0.002 * float(np.median(np.abs(bins.current))),
            0.3 * smallest_step(bins.current_jag),
            1e-9,
        )
        spread = Spread.learn(bins, rest, floor, code)
        total = robust.spread(bins.current)
        self.populations_[code] = Population(
            coefficients=beta,
            inverse=inverse * float(weight.sum()) / np.unique(group).size,
            blocks=blocks,
            gain_sd=gain_sd,
            explained=float(1 - min(1.0, (robust.spread_about_zero(rest) / total) ** 2))
            if total > 0
            else 0.0,
            spread=spread,
        )
        self.sample_sd_[code] = float(np.nanmedian(bins.current_sd)) if len(bins) else 0.0
        self.session_sd_[code] = session_spread(rest, bins.direction, group, float(spread.sd.max()))

    def _choose_terms(self, bins: Bins, moving: npt.NDArray[np.bool_], group: Ints) -> None:
        """Find what of the posture matters, on moving bins or else on resting ones."""
        assert self.scales_ is not None
        if np.unique(group).size < FEWEST_FOR_POSTURE and "load" in design.available(
            bins, self.scales_
        ):
            return
        resting = np.isfinite(bins.current) & (bins.motion == HOLDING)
        for code, rows in ((MOVING, moving), (HOLDING, resting)):
            if rows.sum() < 200:
                continue
            part = bins.take(rows)
            blocks = design.available(part, self.scales_)
            if self.scales_.both_ends:  # the joint's own angle means another thing on each
                blocks = tuple(b for b in blocks if b != "angle")
            base = self._matrix(code, part, blocks)
            terms: list[posture.Term] = []
            ends: list[int] = []
            # on its other end the arm hangs from the other side of the joint
            for end in self.scales_.bases if self.scales_.both_ends else (-1,):
                mine = part.base_b == end if end >= 0 else np.ones(len(part), dtype=bool)
                found = posture.choose(
                    part.posture[mine], base[mine], part.current[mine], group[rows][mine]
                )
                terms += found
                ends += [end] * len(found)
            if terms:
                self.scales_ = replace(self.scales_, terms=tuple(terms), ends=tuple(ends))
                return

    def _posture_part(
        self, code: int, matrix: Floats, blocks: tuple[str, ...], beta: Floats
    ) -> Floats:
        """Return what the last columns of the design, those of posture, contribute."""
        assert self.scales_ is not None
        wide = sum(posture.column_count(t) for t in self.scales_.terms) * ("posture" in blocks)
        if not wide:
            return np.zeros(matrix.shape[0])
        return np.asarray(matrix[:, -wide:] @ beta[-wide:])

    def _choose_blocks(self, code: int, bins: Bins, group: Ints, weight: Floats) -> tuple[str, ...]:
        blocks: tuple[str, ...] = ("speed",)
        sessions, stretches = split_halves(group), split_stretches(group.size)
        assert self.scales_ is not None
        for block in design.available(bins, self.scales_):
            if block in blocks:
                continue
            halves = sessions
            if self._spread_over(code, bins, group, block) < SPREAD_OVER:
                halves = stretches
            tried = (*blocks, block)
            before = self._held_out(code, bins, weight, halves, blocks)
            if self._held_out(code, bins, weight, halves, tried) < before * (1 - GAIN_TO_KEEP):
                blocks = tried
        return blocks

    def _spread_over(self, code: int, bins: Bins, group: Ints, block: str) -> float:
        """Return over how many sessions, in effect, a block's columns vary."""
        plain = self._matrix(code, bins, ("speed",)).shape[1]
        part = self._matrix(code, bins, ("speed", block))[:, plain:]
        part = (part - part.mean(axis=0)) ** 2
        names, which = np.unique(group, return_inverse=True)
        energy = np.zeros((names.size, part.shape[1]))
        np.add.at(energy, which, part)
        some = energy.sum(axis=0) > 0
        if names.size < 2 or not some.any():
            return float("inf")
        energy = energy[:, some]
        return float(np.max(energy.sum(axis=0) ** 2 / (energy**2).sum(axis=0)))

    def _held_out(
        self,
        code: int,
        bins: Bins,
        weight: Floats,
        halves: npt.NDArray[np.bool_],
        blocks: tuple[str, ...],
    ) -> float:
        error = 0.0
        for side in (halves, ~halves):
            train, test = np.flatnonzero(side), np.flatnonzero(~side)
            train = train[:: max(1, train.size // 3000)]
            if train.size < 20 or not test.size:
                return float("inf") if blocks != ("speed",) else 1e300
            matrix = self._matrix(code, bins.take(train), blocks)
            beta, _, _ = robust.fit(matrix, bins.current[train], weight[train])
            test = test[:: max(1, test.size // 3000)]
            rest = bins.current[test] - self._matrix(code, bins.take(test), blocks) @ beta
            size = np.abs(rest)
            error += float(np.mean(np.minimum(size, 4 * np.median(size) + 1e-12)))
        return error

    def _matrix(self, code: int, bins: Bins, blocks: tuple[str, ...]) -> Floats:
        assert self.scales_ is not None
        make = design.columns if code == MOVING else design.resting_columns
        return make(bins, self.scales_, blocks)

    # plain data -------------------------------------------------------------
    def to_plain(self) -> dict[str, Any]:
        """Return everything as what JSON holds; `from_plain` reads it back."""
        assert self.scales_ is not None
        return {
            "scales": asdict(self.scales_),
            "populations": {
                str(code): {
                    "coefficients": p.coefficients.tolist(),
                    "inverse": p.inverse.tolist(),
                    "gain_sd": p.gain_sd,
                    "blocks": list(p.blocks),
                    "explained": p.explained,
                    "spread": p.spread.to_plain(),
                }
                for code, p in self.populations_.items()
            },
            "region": self.region_.to_plain(),
            "sample_sd": {str(k): v for k, v in self.sample_sd_.items()},
            "session_sd": {str(k): v for k, v in self.session_sd_.items()},
            "step_noise": self.step_noise_,
            "remainder": self.remainder_.to_plain() if self.remainder_ else None,
        }

    @classmethod
    def from_plain(cls, data: dict[str, Any]) -> ExpectedCurrent:
        """Rebuild from `to_plain`'s document."""
        scales = dict(data["scales"])
        scales["bends"] = tuple(scales["bends"])
        scales["terms"] = tuple(tuple(t) for t in scales["terms"])
        scales["ends"], scales["bases"] = tuple(scales["ends"]), tuple(scales["bases"])
        return cls(
            scales_=design.Scales(**scales),
            populations_={
                int(code): Population(
                    coefficients=np.array(p["coefficients"]),
                    inverse=np.array(p["inverse"]),
                    gain_sd=p["gain_sd"],
                    blocks=tuple(p["blocks"]),
                    explained=p["explained"],
                    spread=Spread.from_plain(p["spread"]),
                )
                for code, p in data["populations"].items()
            },
            region_=Region.from_plain(data["region"]),
            sample_sd_={int(k): v for k, v in data["sample_sd"].items()},
            session_sd_={int(k): v for k, v in data["session_sd"].items()},
            step_noise_=data["step_noise"],
            remainder_=Remainder.from_plain(data["remainder"]) if data["remainder"] else None,
        )


def _step_noise(jag: Floats) -> float:
    """Return a sample's noise from second differences, A.

    Of white noise their mean size is sqrt(6) * sqrt(2 / pi) standard deviations.
    """
    good = jag[np.isfinite(jag)]
    return float(np.median(good) / (np.sqrt(6.0) * np.sqrt(2.0 / np.pi))) if good.size else 0.0


def smallest_step(steps: Floats) -> float:
    """Smallest step that the recorder shows, A: a stand-in for its resolution."""
    good = steps[np.isfinite(steps) & (steps > 0)]
    return float(np.quantile(good, 0.02)) if good.size else 0.0
