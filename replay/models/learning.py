"""Learn a baseline: folds by session, faults in training set aside, tails fitted.

Every figure that decides about flags comes from sessions that were left out
of the fit it is judged by.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from replay.archive import Archive
from replay.errors import BaselineError
from replay.models.baselines import Baseline, save_baseline
from replay.models.held_out import HeldOut, hold_out
from replay.models.readings import Reading, read_session
from replay.models.surprises import fit_rarity, held_out_scores, natures, surprises
from replay.models.trace import Trace
from replay.models.unit import Rarity, UnitModel
from replay.records import Session

Progress = Callable[[str, int, int], None]

MOST_JOINT_SAMPLES = 60_000_000
"""Beyond this, only the middle of each session is read."""

READERS = 2
"""Sessions read at a time; what they give keeps its order."""

ROUNDS = 3
"""How often the fits are repeated without what was set aside."""


def learn(
    archive: Archive,
    sessions: Iterable[str] | None = None,
    *,
    false_flags_per_100h: float = 1.0,
    leave_out: Collection[tuple[str, str]] = (),
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
    leave_out : collection of (session, unit)
        Joint units that are not to teach in a session, such as those in which a
        person confirmed a fault; see `replay.reviews.learning.confirmed`.
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
    read = read_all(archive, records, progress)
    readings = [r for r in read if (r.session, r.unit) not in leave_out]
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
    """Read and condense all sessions, subsampled to the budget."""
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
    held: dict[str, HeldOut] = {}
    for k, (unit, mine) in enumerate(sorted(by_unit.items())):
        if progress is not None:
            progress("fitting joint units", k, 2 * len(by_unit))
        got = hold_out(mine)
        if got is not None:
            held[unit] = got
    if not held:
        return {}, Rarity(), {}
    nature = natures(held)
    for unit, h in held.items():
        h.widen(nature[unit])
    aside: dict[str, set[str]] = {}
    for _ in range(ROUNDS):
        new, kept = surprises(
            held, aside, {u: len({r.session for r in m}) for u, m in by_unit.items()}
        )
        if not new:
            break
        for k, (unit, names) in enumerate(sorted(new.items())):
            if progress is not None:
                progress("fitting joint units", len(by_unit) + k, 2 * len(by_unit))
            aside.setdefault(unit, set()).update(names)
            rest = [r for r in by_unit[unit] if r.session not in aside[unit]]
            got = hold_out(rest)
            if got is not None:
                got.widen(nature[unit])
                held[unit] = got
    else:
        _, kept = surprises(held, aside, {})
    for unit, factors in natures(held).items():  # a fit without the set-aside is another fit
        held[unit].widen(factors)
    # with the surprises out, the upper end is the healthy sessions' own
    rarity = fit_rarity(held, trust="middle" if len(readings) < 30 else "high", kept=kept)
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
    return units, rarity, held_out_scores(held, rarity)


def _band(traces: list[Trace]) -> float:
    z = np.concatenate([np.abs(t.z[t.seen]) for t in traces]) if traces else np.empty(0)
    z = z[np.isfinite(z)]
    return float(np.clip(np.quantile(z, 0.99), 2.0, 6.0)) if z.size > 100 else 3.0


def _heat(readings: list[Reading]) -> tuple[float, float] | None:
    parts = [r.bins.temperature[np.isfinite(r.bins.temperature)] for r in readings]
    heat = np.concatenate(parts) if parts else np.empty(0)
    return (float(heat.min()), float(heat.max())) if heat.size else None
