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
from replay.models.remainder import Remainder
from replay.models.spreads import Spread

GAIN_TO_KEEP = 0.005
"""A block stays when it takes this share off the held-out error."""

SPEED_CELLS, SLOW_CELLS, LOAD_CELLS = 8, 4, 6
"""Even cells of speed up to the usual top speed, the first halved again and
again: friction changes fastest near rest (Stribeck)."""

STEADY_S = 2.0
"""Motion this far from its beginning, turn and end runs; nearer, it may be
passing through its speed in a ramp."""

FEWEST_SESSIONS = 2
"""Running in a region must have been seen in so many sessions, where there are
at least twice as many: one session may be the odd one."""

MARGIN = 0.12
"""How far outside the trained range of a quantity still counts as seen, as a
share of the range."""

MIN_ROWS = 40

SPREAD_OVER = 4.0
"""A block that varies in fewer sessions than this is tried on stretches of them
all: halves of the sessions would try it where it was not, or learn it there."""

STRETCHES = 20


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

    After `fit`: ``populations_`` by motion code, ``scales_``, ``ranges_``,
    ``sample_sd_`` (spread of single samples about their bin, A) and
    ``session_sd_`` (spread of whole sessions about the fit, A).
    """

    scales_: design.Scales | None = None
    populations_: dict[int, Population] = field(default_factory=dict)
    ranges_: dict[str, tuple[float, float]] = field(default_factory=dict)
    cells_: npt.NDArray[np.bool_] = field(default_factory=lambda: np.zeros((2, 0, 0), bool))
    """By speed and load: passed through in training, and run in."""
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
        self._learn_ranges(bins, rows, group)
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
        for name in ("temperature", "load", "payload"):
            # what a payload does to a joint with a known load, the load tells
            if name in self.ranges_ and not (name == "payload" and "load" in self.ranges_):
                low, high = self.ranges_[name]
                value = getattr(bins, name)
                ok &= ~((value < low) | (value > high))
        moving = bins.motion == MOVING
        if moving.any() and self.scales_ is not None and self.cells_.size:
            row, column = self._cell(bins)
            steady = (bins.settled >= STEADY_S).astype(np.int64)
            ok &= ~moving | self.cells_[steady, row, column]
            for name in ("accel", "rate"):
                if name in self.ranges_:
                    low, high = self.ranges_[name]
                    value = getattr(bins, name)
                    ok &= ~moving | ~((value < low) | (value > high))
        return ok

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
        gain_sd, shift = _adapted(asked, rest, group)
        for _ in range(2 if gain_sd > 0 else 0):  # a mixture of payloads bends the fit
            beta, inverse, _ = robust.fit(matrix, bins.current - shift, weight)
            rest = bins.current - matrix @ beta
            asked = self._posture_part(code, matrix, blocks, beta)
            gain_sd, shift = _adapted(asked, rest, group)
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

    def _learn_ranges(self, bins: Bins, moving: npt.NDArray[np.bool_], group: Ints) -> None:
        for name in ("temperature", "load", "payload", "accel", "rate"):
            value = getattr(bins, name)[moving if name in {"accel", "rate"} else slice(None)]
            value = value[np.isfinite(value)]
            if value.size < MIN_ROWS:
                continue
            low, high = float(value.min()), float(value.max())
            extra = MARGIN * (high - low) + 1e-9
            if name == "temperature":
                extra = max(extra, 2.0)
            if name == "payload":
                extra = max(extra, 0.1 * abs(high))
            if name == "accel":
                low, high = float(np.quantile(value, 0.0005)), float(np.quantile(value, 0.9995))
                extra = 0.5 * (high - low)
            self.ranges_[name] = (low - extra, high + extra)
        if not moving.any():
            return
        row, column = self._cell(bins)
        shape = (2 * _SIDE, LOAD_CELLS)
        count = np.zeros(shape, dtype=np.int64)
        np.add.at(count, (row[moving], column[moving]), 1)
        steady = moving & (bins.settled >= STEADY_S)
        names, which = np.unique(group, return_inverse=True)
        ran = np.zeros((names.size, *shape), dtype=bool)
        ran[which[steady], row[steady], column[steady]] = True
        fewest = FEWEST_SESSIONS if names.size >= 2 * FEWEST_SESSIONS else 1
        self.cells_ = np.stack([_grown(count >= 3), _grown(ran.sum(axis=0) >= fewest)])

    def _cell(self, bins: Bins) -> tuple[Ints, Ints]:
        """Return each bin's cell of signed speed and of load."""
        assert self.scales_ is not None
        v = np.nan_to_num(bins.rate) / self.scales_.speed
        step = np.searchsorted(_EDGES, np.abs(v), side="right")
        row = np.where(v < 0, _SIDE - 1 - step, _SIDE + step)
        if "load" in self.ranges_:
            low, high = self.ranges_["load"]
            part = (np.nan_to_num(bins.load) - low) / (high - low)
            column = np.clip(np.floor(part * LOAD_CELLS), 0, LOAD_CELLS - 1)
        else:
            column = np.zeros(len(bins))
        return row.astype(np.int64), column.astype(np.int64)

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
            "ranges": {k: list(v) for k, v in self.ranges_.items()},
            "cells": self.cells_.astype(int).tolist(),
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
            ranges_={k: (v[0], v[1]) for k, v in data["ranges"].items()},
            cells_=np.array(data["cells"], dtype=bool).reshape(2, -1, LOAD_CELLS),
            sample_sd_={int(k): v for k, v in data["sample_sd"].items()},
            session_sd_={int(k): v for k, v in data["session_sd"].items()},
            step_noise_=data["step_noise"],
            remainder_=Remainder.from_plain(data["remainder"]) if data["remainder"] else None,
        )


_EDGES = (
    np.concatenate([0.5 ** np.arange(SLOW_CELLS - 1, 0, -1), np.arange(1, SPEED_CELLS + 1)])
    / SPEED_CELLS
)
_SIDE = _EDGES.size + 1


def _grown(cells: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Add the neighbours in speed, in the same direction: near enough."""
    grown = cells.copy()
    for side in (slice(0, _SIDE), slice(_SIDE, 2 * _SIDE)):
        grown[side][1:] |= cells[side][:-1]
        grown[side][:-1] |= cells[side][1:]
    return grown


CORRELATED_BINS = 25.0
"""So many neighbouring bins tell as much as one independent one."""


def session_gain(given: Floats, rest: Floats, noise: float, gain_sd: float) -> float:
    """Return the factor of ``given`` that best takes ``rest`` away, shrunk to 0.

    Parameters
    ----------
    given, rest : array, shape (n,)
        Current that posture explains, and what the fit left over, A.
    noise : float
        Spread of the remainder of a bin, A.
    gain_sd : float
        Spread of the factor between healthy sessions; infinite: no shrinking.
    """
    good = np.isfinite(rest) & np.isfinite(given)
    x, y = given[good], rest[good]
    if x.size < 20:
        return 0.0
    pull = CORRELATED_BINS * noise**2 / gain_sd**2 if np.isfinite(gain_sd) else 0.0
    gain = 0.0
    weight = np.ones(x.size)
    for _ in range(8):
        energy = float(np.sum(weight * x * x))
        gain = float(np.sum(weight * x * y)) / max(energy + pull, 1e-12)
        left = np.abs(y - gain * x)
        limit = 1.5 * 1.4826 * float(np.median(left)) + 1e-12
        weight = np.minimum(1.0, limit / np.maximum(left, 1e-12))
    return float(np.clip(gain, -3 * gain_sd, 3 * gain_sd)) if np.isfinite(gain_sd) else gain


def _adapted(given: Floats, rest: Floats, group: Ints) -> tuple[float, Floats]:
    """Learn how the posture's factor varies between sessions, where it plainly does.

    Returns the factor's spread, and what to take off each row for its session, A.
    """
    nothing = np.zeros(rest.size)
    names = np.unique(group)
    if names.size < 4 or not np.any(given):
        return 0.0, nothing
    gains = np.array(
        [session_gain(given[group == g], rest[group == g], 0.0, np.inf) for g in names]
    )
    # payloads come in a few sizes: a robust spread would see only the commonest
    size = float(np.sqrt(np.mean((gains - np.median(gains)) ** 2)))
    wide = float(np.clip(max(robust.spread(gains), size), 0.0, 1.0))
    if wide <= 0:
        return 0.0, nothing
    noise = robust.spread_about_zero(rest)
    made = nothing.copy()
    for g in names:
        mine = group == g
        made[mine] = given[mine] * session_gain(given[mine], rest[mine], noise, wide)
    helped = float(np.mean(np.abs(rest - made))) < 0.93 * float(np.mean(np.abs(rest)))
    return (wide, made) if helped else (0.0, nothing)


def session_weights(group: Ints) -> Floats:
    """Give every session the same total weight, none of its rows more than 5."""
    _, where, count = np.unique(group, return_inverse=True, return_counts=True)
    weight = 1.0 / count[where]
    return np.asarray(np.minimum(weight / weight.mean(), 5.0))


def split_halves(group: Ints) -> npt.NDArray[np.bool_]:
    """Split rows in two by session; by blocks of time where there is only one."""
    names, where = np.unique(group, return_inverse=True)
    if names.size > 1:
        return np.asarray(where % 2 == 0)
    block = np.arange(group.size) * 10 // max(group.size, 1)
    return np.asarray(block % 2 == 0)


def split_stretches(size: int) -> npt.NDArray[np.bool_]:
    """Split rows in two by short stretches, so that every session is in both halves."""
    return np.asarray(np.arange(size) * STRETCHES // max(size, 1) % 2 == 0)


def session_spread(rest: Floats, direction: Ints, group: Ints, bin_sd: float) -> float:
    """Robust spread of sessions' mean residual by direction, A."""
    means = [
        float(np.median(rest[mine]))
        for g in np.unique(group)
        for d in (-1, 0, 1)
        if (mine := (group == g) & (direction == d)).sum() >= 10
    ]
    if len(means) < 4:
        return 0.5 * bin_sd
    return float(robust.spread_about_zero(np.array(means)))


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
