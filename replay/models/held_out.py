"""A unit's sessions, each judged by a fit that left it out.

What healthy sessions look like to a fit that has not seen them gives every
detector its spread, and every block of a session its largest values.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from replay.models import robust
from replay.models.bins import HELD, HOLDING, MOVING, Bins, Floats, Ints, join_bins
from replay.models.expected import ExpectedCurrent
from replay.models.patterns import WINDOWS_S, PatternModel
from replay.models.readings import Reading
from replay.models.symptoms import Nominal, collect, physical
from replay.models.symptoms.collect import FEWEST, MARK_DEFAULTS, NOTABLE, SPIKE_NOISES
from replay.models.symptoms.marks import Mark
from replay.models.trace import Statistic, Trace, make_trace

FOLDS = 4

BLOCK_S = 600.0

MOST_BINS = 12_000
"""Bins of a unit that a fit uses; spread evenly over its sessions."""

OFTEN_PER_HOUR = 20.0
"""A finding that healthy sessions show more often than this is scaled by its own size."""

FLOORS = {"stop-go": 1.0, "heave": 1.5, "astray": 0.005, "push": 0.2}
"""Least healthy spread of a detector: a count, deg, spreads; 0.02 for ratios. One heave
up and down counts two, and a healthy joint on a shaken arm shows two now and then."""

MATERIAL = 0.012
"""Share of the usual moving current below which a mean departure is of no
consequence, however surely it is measured. Common practice, no source."""

IN_SPREADS = {
    **dict.fromkeys(("offset", "load"), MOVING),
    "held": HELD,
    "holding": HOLDING,
}
"""Detectors sure of very little, in spreads of a bin, by the motion they look at."""


@dataclass(slots=True)
class HeldOut:
    """A unit's sessions as seen by fits that left them out."""

    readings: list[Reading]
    traces: list[Trace]
    nominal: Nominal
    patterns: tuple[PatternModel, ...]
    whole: ExpectedCurrent
    sessions: list[str]
    maxima: dict[str, Floats] = field(default_factory=dict)
    """Largest value by detector, one entry a block."""
    block_session: list[str] = field(default_factory=list)
    block_hours: Floats = field(default_factory=lambda: np.empty(0))

    def without(self, gone: npt.NDArray[np.bool_]) -> HeldOut:
        """Return the same with only the block maxima that are not gone."""
        left = np.flatnonzero(~gone)
        return replace(
            self,
            maxima={n: v[left] for n, v in self.maxima.items()},
            block_session=[self.block_session[k] for k in left],
            block_hours=self.block_hours[left],
        )

    def widen(self, factors: Mapping[str, float]) -> None:
        """Take a detector's values in so many times larger healthy spreads."""
        for name, factor in factors.items():
            if name in self.maxima and name in self.nominal.spreads:
                self.nominal.spreads[name] *= factor
                self.maxima[name] = self.maxima[name] / factor


def hold_out(readings: list[Reading]) -> HeldOut | None:
    """Judge each of a unit's sessions by a fit to the others; None if nothing can be fitted."""
    pieces = _pieces(readings)
    fold = np.arange(len(pieces)) % min(FOLDS, len(pieces))
    whole = _fit_expected(pieces)
    traces: list[Trace] = []
    order: list[Reading] = []
    part: list[int] = []
    for k in np.unique(fold):
        train = [p for p, f in zip(pieces, fold, strict=True) if f != k]
        model = _fit_expected(train, whole)
        if not model.populations_:
            return None
        for piece in (p for p, f in zip(pieces, fold, strict=True) if f == k):
            traces.append(make_trace(piece.bins, model))
            order.append(piece)
            part.append(int(k))
    nominal = Nominal()
    nominal.current_a = _moving_current(pieces)
    nominal.marks = _mark_scales(order, whole.sample_noise())
    nominal.usual = physical.usual(((r.session, r.marks) for r in readings), nominal)
    traces = [collect.blind(t, r.marks, nominal, whole) for t, r in zip(traces, order, strict=True)]
    nominal.session_level = _session_level(traces)
    found = (PatternModel.learn(traces, w) for w in WINDOWS_S)
    patterns = tuple(p for p in found if p is not None)
    held = HeldOut(order, traces, nominal, patterns, whole, sorted({r.session for r in readings}))
    _measure(held, _patterns_without(traces, part))
    return held


def _patterns_without(traces: list[Trace], part: list[int]) -> list[tuple[PatternModel, ...]]:
    """Return, trace by trace, what the other parts' traces teach about patterns."""
    made: dict[int, tuple[PatternModel, ...]] = {}
    for k in set(part):
        others = [t for t, mine in zip(traces, part, strict=True) if mine != k]
        found = (PatternModel.learn(others, w) for w in WINDOWS_S)
        made[k] = tuple(p for p in found if p is not None)
    return [made[k] for k in part]


def _pieces(readings: list[Reading]) -> list[Reading]:
    """Return the readings; a lone session is cut into four stretches."""
    if len(readings) > 1:
        return readings
    only = readings[0]
    cuts = np.linspace(0, len(only.bins), FOLDS + 1).astype(int)
    made = []
    for a, b in pairwise(cuts):
        bins = only.bins.take(np.arange(a, b))
        if not len(bins):
            continue
        marks = [m for m in only.marks if bins.start_s[0] <= m.start_s < bins.end_s[-1]]
        made.append(Reading(only.session, only.joint, only.unit, only.start, bins, marks))
    return made


def _fit_expected(readings: list[Reading], like: ExpectedCurrent | None = None) -> ExpectedCurrent:
    each = max(50, MOST_BINS // max(len(readings), 1))
    parts: list[Bins] = []
    group: list[Ints] = []
    for k, reading in enumerate(readings):
        step = max(1, len(reading.bins) // each)
        part = reading.bins.take(np.arange(k % step, len(reading.bins), step))
        parts.append(part)
        group.append(np.full(len(part), k))
    return ExpectedCurrent().fit(join_bins(parts), np.concatenate(group), like)


def _moving_current(readings: list[Reading]) -> float:
    values = [
        np.abs(r.bins.current[(r.bins.motion == MOVING) & np.isfinite(r.bins.current)])
        for r in readings
    ]
    pooled = np.concatenate(values) if values else np.empty(0)
    return float(np.median(pooled)) if pooled.size else 0.0


def _mark_scales(readings: list[Reading], noise_a: float) -> dict[str, tuple[float, float]]:
    """Centre and spread of each finding that healthy sessions have plenty of."""
    made = {}
    for name in ("slip", "release delay", "engage delay", "motion delay"):
        values = np.array(
            [
                m.value
                for r in readings
                for m in r.marks
                if m.name == name and not m.detail.get("never")
            ]
        )
        if values.size < FEWEST:
            continue
        centre = float(np.median(values))
        floor = MARK_DEFAULTS[name][1] * (0.5 if name == "slip" else 0.1)
        # a unit may have two ways of starting: what nineteen in twenty keep is normal
        upper = (float(np.quantile(values, 0.95)) - centre) / 1.645
        made[name] = (centre, max(robust.spread(values), upper, floor))
    often = OFTEN_PER_HOUR * max(1.0, sum(r.hours for r in readings))
    steps = np.array([m.value for r in readings for m in r.marks if m.name == "angle step"])
    if steps.size >= often:
        made["angle step"] = (0.0, max(float(np.quantile(steps, 0.9)) / 2, 0.08))
    spikes = np.array([m.value for r in readings for m in r.marks if m.name == "spike"])
    if spikes.size >= often:
        size = float(np.quantile(spikes, 0.9)) / (SPIKE_NOISES * max(noise_a, 1e-9))
        made["spike"] = (0.0, max(size / 2, 1.0))
    return made


def _session_level(traces: list[Trace]) -> float:
    levels = []
    for trace in traces:
        rows = trace.seen & (trace.bins.motion == MOVING)
        if rows.sum() >= 20:
            levels.append(float(np.median(trace.z[rows] * trace.side[rows])))
    if len(levels) < 3:
        return 1.0
    wide = float(np.quantile(np.abs(levels), 0.85)) / 1.44  # as of a normal law
    return max(robust.spread_about_zero(np.array(levels)), wide, 0.1)


def _bin_spread(traces: list[Trace], motion: int) -> float:
    """Return the usual spread of a bin in this kind of motion, A; infinite without any."""
    parts = [t.sd[t.seen & (t.bins.motion == motion)] for t in traces]
    sd = np.concatenate(parts) if parts else np.empty(0)
    sd = sd[np.isfinite(sd)]
    return float(np.median(sd)) if sd.size else float("inf")


def _measure(held: HeldOut, patterns: list[tuple[PatternModel, ...]]) -> None:
    """Fill the nominal spreads and every block's largest values."""
    raw = [
        collect.statistics(trace, held.whole, held.nominal, without)
        for trace, without in zip(held.traces, patterns, strict=True)
    ]
    held.nominal.turns = _usual_turns(held, raw)
    pools: dict[str, list[Floats]] = {}
    windows: dict[str, float] = {}
    for found in raw:
        for s in found:
            good = s.value[np.isfinite(s.value)]
            pools.setdefault(s.name, []).append(good[:: max(1, good.size // 2000)])
            windows[s.name] = s.window_s
    material = {
        name: MATERIAL * held.nominal.current_a / max(_bin_spread(held.traces, motion), 1e-9)
        for name, motion in IN_SPREADS.items()
    }
    for name, parts in pools.items():
        values = np.concatenate(parts)
        if values.size:
            few = 1.0 + 3.0 / max(len(parts), 1)
            family = name.split()[0]
            long = "offset" if name == "shift session" else family
            floor = max(FLOORS.get(family, 0.02), material.get(long, 0.0))
            held.nominal.spreads[name] = few * max(robust.spread_about_zero(values), floor)
    columns: dict[str, list[float]] = {}
    hours: list[float] = []
    sample_sd = held.whole.sample_noise()
    for reading, found in zip(held.readings, raw, strict=True):
        edges = _block_edges(reading)
        scaled = [(s, np.abs(held.nominal.scaled(s))) for s in found]
        for a, b in pairwise(edges):
            hours.append((b - a) / 3600.0)
            held.block_session.append(reading.session)
            top: dict[str, float] = dict.fromkeys([*pools, *MARK_DEFAULTS], 0.0)
            for s, value in scaled:
                at = reading.bins.end_s[s.rows]
                inside = value[(at > a) & (at <= b)]
                inside = inside[np.isfinite(inside)]
                if inside.size:
                    top[s.name] = float(inside.max())
            for mark in reading.marks:
                if a <= mark.start_s < b and not _beyond(mark, held.nominal):
                    size = held.nominal.mark_value(mark, sample_sd)
                    if size > NOTABLE:
                        top[mark.name] = max(top[mark.name], size)
            for name, value_ in top.items():
                columns.setdefault(name, []).append(value_)
    held.block_hours = np.array(hours)
    held.maxima = {name: np.array(v) for name, v in columns.items()}


def _usual_turns(held: HeldOut, raw: list[list[Statistic]]) -> float:
    most: dict[str, float] = {}
    for reading, found in zip(held.readings, raw, strict=True):
        for s in found:
            if s.name.startswith("stop-go") and np.isfinite(s.value).any():
                top = float(np.nanmax(s.value))
                most[reading.session] = max(most.get(reading.session, 0.0), top)
    return float(np.quantile(list(most.values()), 0.9)) if most else 0.0


def _beyond(mark: Mark, nominal: Nominal) -> bool:
    """Tell whether a finding has a limit of its own, and so says nothing about tails."""
    return mark.name not in nominal.usual and physical.excess(mark, nominal) > 0


def _block_edges(reading: Reading) -> Floats:
    start, end = float(reading.bins.start_s[0]), float(reading.bins.end_s[-1]) + 1e-6
    count = max(1, round((end - start) / BLOCK_S))
    edges = np.linspace(start, end, count + 1)
    edges[0] -= 1.0
    return edges
