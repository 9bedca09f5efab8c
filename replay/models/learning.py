"""Learn a baseline: folds by session, faults in training set aside, tails fitted.

Every figure that decides about flags comes from sessions that were left out
of the fit it is judged by.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from replay.archive import Archive
from replay.errors import BaselineError
from replay.models import robust
from replay.models.baselines import Baseline, save_baseline
from replay.models.bins import HELD, HOLDING, MOVING, Bins, Floats, Ints, join_bins
from replay.models.expected import ExpectedCurrent
from replay.models.patterns import WINDOWS_S, PatternModel
from replay.models.readings import Reading, read_session
from replay.models.symptoms import Nominal, collect, physical
from replay.models.symptoms.collect import FEWEST, MARK_DEFAULTS, NOTABLE, SPIKE_NOISES
from replay.models.symptoms.marks import Mark
from replay.models.tails import Tail, Trust
from replay.models.trace import Trace, make_trace
from replay.models.unit import Rarity, UnitModel
from replay.records import Session

Progress = Callable[[str, int, int], None]

FOLDS = 4
BLOCK_S = 600.0
MOST_BINS = 12_000
"""Bins of a unit that a fit uses; spread evenly over its sessions."""

MOST_JOINT_SAMPLES = 60_000_000
"""Beyond this, only the middle of each session is read."""

SURPRISE = 0.5
"""A training session goes aside, for one unit, when its rarest finding should
turn up less often than this in the whole training set."""

MOST_SET_ASIDE = 0.34
READERS = 2
"""Sessions read at a time; what they give keeps its order."""

OFTEN_PER_HOUR = 20.0
"""A finding that healthy sessions show more often than this is scaled by its own size."""

FLOORS = {"stop-go": 1.0, "astray": 0.005, "push": 0.2}
"""Least healthy spread of a detector: a count, deg, spreads; 0.02 for ratios."""

MATERIAL = 0.012
"""Share of the usual moving current below which a mean departure is of no
consequence, however surely it is measured. Common practice, no source."""

IN_SPREADS = {
    **dict.fromkeys(("offset", "load"), MOVING),
    "held": HELD,
    "holding": HOLDING,
}
"""Detectors sure of very little, in spreads of a bin, by the motion they look at."""

UPPER = 0.75
"""Share of a unit's blocks that faults hidden in training leave alone."""

OWN_NATURE = 1.4
"""A unit whose upper blocks stand this far above the other units' is that way."""

ROUNDS = 3
"""How often the fits are repeated without what was set aside."""


def learn(
    archive: Archive,
    sessions: Iterable[str] | None = None,
    *,
    false_flags_per_100h: float = 1.0,
    progress: Progress | None = None,
) -> Baseline:
    """Learn the normal behaviour of every joint unit and save it.

    Parameters
    ----------
    archive : Archive
    sessions : iterable of str, optional
        The sessions that teach; all by default. They may hide a few faults:
        what stands out from the rest is set aside and named.
    false_flags_per_100h : float
        False flags that the user accepts per 100 joint-hours.
    progress : callable, optional
        Called with ``(what, done, total)``.

    Raises
    ------
    BaselineError
        Nothing to learn from.
    """
    names = list(sessions) if sessions is not None else _all_sessions(archive)
    if not names:
        raise BaselineError("no session to learn from", todo="`jointbook ingest` some logs first")
    records = [archive.session(name) for name in dict.fromkeys(names)]
    readings = read_all(archive, records, progress)
    return save_baseline(archive, fit_baseline(records, readings, false_flags_per_100h, progress))


def fit_baseline(
    records: list[Session],
    readings: list[Reading],
    asked: float,
    progress: Progress | None = None,
) -> Baseline:
    """Fit a baseline on condensed sessions, without saving it.

    Raises
    ------
    BaselineError
        No joint has enough samples.
    """
    units, rarity, calibration = fit_units(readings, progress)
    if not units:
        raise BaselineError(
            "no joint has enough samples with a current to learn from",
            todo="choose longer sessions, or more of them",
        )
    return Baseline.assemble(
        units=units,
        rarity=rarity,
        records=records,
        asked=asked,
        calibration=calibration,
    )


def _all_sessions(archive: Archive) -> list[str]:
    frame = archive.sessions()
    return frame["session"].to_list() if frame.height else []


def read_all(
    archive: Archive, records: list[Session], progress: Progress | None = None
) -> list[Reading]:
    """Read and condense all sessions, thinned to the budget."""
    total = sum(r.rows * max(len(r.joints), 1) for r in records)
    share = min(1.0, MOST_JOINT_SAMPLES / max(total, 1))
    made: list[Reading] = []
    order = sorted(records, key=lambda r: (r.start, r.session))
    with ThreadPoolExecutor(READERS) as readers:
        found = readers.map(lambda r: read_session(archive, r, share=share), order)
        try:
            for k, readings in enumerate(found):
                if progress is not None:
                    progress("reading sessions", k + 1, len(records))
                made += readings
        except BaseException:  # whoever stops the work is not to wait for the rest
            readers.shutdown(wait=False, cancel_futures=True)
            raise
    return made


@dataclass(slots=True)
class _Held:
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

    def without(self, gone: npt.NDArray[np.bool_]) -> _Held:
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


def fit_units(
    readings: list[Reading], progress: Progress | None = None
) -> tuple[dict[str, UnitModel], Rarity, dict[str, object]]:
    """Fit every unit, twice: once to find what to set aside, once without it.

    The linear algebra runs on one thread: its matrices are small, and threads
    that wait for each other cost more than they bring, on a busy machine most.
    """
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

    with threadpool_limits(limits=1, user_api="blas"):
        return _fit_units(readings, progress)


def _fit_units(
    readings: list[Reading], progress: Progress | None
) -> tuple[dict[str, UnitModel], Rarity, dict[str, object]]:
    by_unit: dict[str, list[Reading]] = {}
    for reading in readings:
        if len(reading.bins) >= 20:
            by_unit.setdefault(reading.unit, []).append(reading)
    held: dict[str, _Held] = {}
    for k, (unit, mine) in enumerate(sorted(by_unit.items())):
        if progress is not None:
            progress("fitting joint units", k, 2 * len(by_unit))
        got = _hold_out(mine)
        if got is not None:
            held[unit] = got
    if not held:
        return {}, Rarity(), {}
    nature = _natures(held)
    for unit, h in held.items():
        h.widen(nature[unit])
    aside: dict[str, set[str]] = {}
    for _ in range(ROUNDS):
        new, kept = _surprises(
            held, aside, {u: len({r.session for r in m}) for u, m in by_unit.items()}
        )
        if not new:
            break
        for k, (unit, names) in enumerate(sorted(new.items())):
            if progress is not None:
                progress("fitting joint units", len(by_unit) + k, 2 * len(by_unit))
            aside.setdefault(unit, set()).update(names)
            rest = [r for r in by_unit[unit] if r.session not in aside[unit]]
            got = _hold_out(rest)
            if got is not None:
                got.widen(nature[unit])
                held[unit] = got
    else:
        _, kept = _surprises(held, aside, {})
    for unit, factors in _natures(held).items():  # a fit without the set-aside is another fit
        held[unit].widen(factors)
    # with the surprises out, the upper end is the healthy sessions' own
    rarity = _rarity(held, trust="middle" if len(readings) < 30 else "high", kept=kept)
    units = {
        unit: UnitModel(
            unit=unit,
            model=h.whole,
            nominal=h.nominal,
            patterns=h.patterns,
            sessions=tuple(h.sessions),
            hours=float(sum(r.hours for r in h.readings)),
            band=_band(h.traces),
            temperature_c=_heat(h.readings),
            set_aside=tuple(sorted(aside.get(unit, ()))),
        )
        for unit, h in held.items()
    }
    return units, rarity, _calibration(held, rarity)


# one unit -------------------------------------------------------------------
def _hold_out(readings: list[Reading]) -> _Held | None:
    pieces = _pieces(readings)
    fold = np.arange(len(pieces)) % min(FOLDS, len(pieces))
    whole = _fit_expected(pieces)
    traces: list[Trace] = []
    order: list[Reading] = []
    for k in np.unique(fold):
        train = [p for p, f in zip(pieces, fold, strict=True) if f != k]
        model = _fit_expected(train, whole)
        if not model.populations_:
            return None
        for piece in (p for p, f in zip(pieces, fold, strict=True) if f == k):
            traces.append(make_trace(piece.bins, model))
            order.append(piece)
    nominal = Nominal()
    nominal.current_a = _moving_current(pieces)
    nominal.marks = _mark_scales(order, whole.sample_noise())
    nominal.usual = physical.usual(((r.session, r.marks) for r in readings), nominal)
    traces = [collect.blind(t, r.marks, nominal, whole) for t, r in zip(traces, order, strict=True)]
    nominal.session_level = _session_level(traces)
    found = (PatternModel.learn(traces, w) for w in WINDOWS_S)
    patterns = tuple(p for p in found if p is not None)
    held = _Held(order, traces, nominal, patterns, whole, sorted({r.session for r in readings}))
    _measure(held)
    return held


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


def _measure(held: _Held) -> None:
    """Fill the nominal spreads and every block's largest values."""
    raw = [collect.statistics(t, held.whole, held.nominal, held.patterns) for t in held.traces]
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


def _beyond(mark: Mark, nominal: Nominal) -> bool:
    """Tell whether a finding has a limit of its own, and so says nothing about tails."""
    return mark.name not in nominal.usual and physical.excess(mark, nominal) > 0


def _block_edges(reading: Reading) -> Floats:
    start, end = float(reading.bins.start_s[0]), float(reading.bins.end_s[-1]) + 1e-6
    count = max(1, round((end - start) / BLOCK_S))
    edges = np.linspace(start, end, count + 1)
    edges[0] -= 1.0
    return edges


# all units ------------------------------------------------------------------
def _rarity(
    held: dict[str, _Held],
    *,
    trust: Trust,
    kept: dict[str, npt.NDArray[np.bool_]] | None = None,
) -> Rarity:
    """Fit all tails to the blocks that are ``kept`` (all by default)."""
    chosen = {u: h if kept is None else h.without(~kept[u]) for u, h in held.items()}
    names = sorted({n for h in chosen.values() for n in h.maxima})
    lengths = np.concatenate([h.block_hours for h in chosen.values()])
    if not lengths.size:  # every block was a surprise to the others: lone sessions
        lengths = np.concatenate([h.block_hours for h in held.values()])
    hours = float(np.mean(lengths))
    tails = {}
    for name in names:
        values = np.concatenate([h.maxima[name] for h in chosen.values() if name in h.maxima])
        tails[name] = Tail.fit(values, hours, trust=trust, finding=name in MARK_DEFAULTS)
    rarity = Rarity(tails)
    together = np.concatenate([_rarest(h, rarity) for h in chosen.values()])
    rarity.combined = Tail.fit_rarity(together, hours, trust=trust)
    return rarity


def _natures(held: dict[str, _Held]) -> dict[str, dict[str, float]]:
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


def _rarest(held: _Held, rarity: Rarity) -> Floats:
    """Return, block by block, ``-log10`` of the rarest detector's rate."""
    lowest = np.full(held.block_hours.size, np.inf)
    for name, values in held.maxima.items():
        lowest = np.minimum(lowest, rarity.rate(name, values))
    return np.asarray(-np.log10(np.maximum(lowest, 1e-60)))


def _surprises(
    held: dict[str, _Held], aside: dict[str, set[str]], sessions: dict[str, int]
) -> tuple[dict[str, set[str]], dict[str, npt.NDArray[np.bool_]]]:
    """Return the training sessions to set aside now, by unit, and the blocks to keep.

    The tails are fitted again and again without the blocks that they make a
    surprise, so that several faults cannot hide each other.
    """
    total = sum(float(h.block_hours.sum()) for h in held.values())
    kept = {u: np.ones(h.block_hours.size, dtype=bool) for u, h in held.items()}
    found: list[tuple[float, str, str]] = []
    for _ in range(6):
        rarity = _rarity(held, trust="low", kept=kept)
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


def _band(traces: list[Trace]) -> float:
    z = np.concatenate([np.abs(t.z[t.seen]) for t in traces]) if traces else np.empty(0)
    z = z[np.isfinite(z)]
    return float(np.clip(np.quantile(z, 0.99), 2.0, 6.0)) if z.size > 100 else 3.0


def _heat(readings: list[Reading]) -> tuple[float, float] | None:
    parts = [r.bins.temperature[np.isfinite(r.bins.temperature)] for r in readings]
    heat = np.concatenate(parts) if parts else np.empty(0)
    return (float(heat.min()), float(heat.max())) if heat.size else None


def _calibration(held: dict[str, _Held], rarity: Rarity) -> dict[str, object]:
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
