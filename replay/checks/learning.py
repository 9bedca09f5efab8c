"""Learn a baseline: the model, and on sessions that it left out the limits."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace
from functools import partial

import numpy as np

from replay.archive import Archive
from replay.checks.limits.calibrating import calibrate
from replay.checks.reading import Reading, read
from replay.errors import BaselineError
from replay.models import Baseline, save_baseline
from replay.models.grid.condensing import choose_filter
from replay.models.training import fit_blocks
from replay.models.units.all_units import Progress
from replay.workers import Each, in_turn, one_thread


def learn(
    archive: Archive,
    sessions: Iterable[str] | None = None,
    *,
    false_flags_per_100h: float = 1.0,
    leave_out: Collection[tuple[str, str]] = (),
    progress: Progress | None = None,
    each: Each = in_turn,
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
        person confirmed a fault; see `replay.reviews.judgements.learning.confirmed`.
    progress : callable, optional
        Called with ``(what, done, total)``.
    each : Each
        Who reads the sessions and fits the units.

    Returns
    -------
    Baseline
        As it was saved, with its version; the latest from now on.

    Raises
    ------
    BaselineError
        Nothing to learn from.
    """
    names = list(sessions) if sessions is not None else _all_sessions(archive)
    if not names:
        raise BaselineError("no session to learn from", todo="`jointbook ingest` some logs first")
    names = sorted(dict.fromkeys(names), key=lambda n: (archive.session(n).start, n))
    with one_thread():
        filter_s = choose_filter(archive, names)
        readings = []
        for k, reading in enumerate(each(partial(_read, archive, filter_s), names)):
            readings.append(_without(reading, leave_out))
            if progress is not None:
                progress("read", k + 1, len(names))
        learned = learn_from(readings, false_flags_per_100h, filter_s, progress, each)
    return save_baseline(archive, learned)


def _read(archive: Archive, filter_s: float, session: str) -> Reading:
    return read(archive, session, filter_s)


def learn_from(
    readings: Sequence[Reading],
    asked: float,
    filter_s: float,
    progress: Progress | None = None,
    each: Each = in_turn,
) -> Baseline:
    """Learn from sessions that were read already, without saving.

    Raises
    ------
    BaselineError
        No joint has enough samples with a current.
    """
    training = fit_blocks([r.blocks for r in readings], progress, filter_s=filter_s, each=each)
    held_out = list(training.held_out())
    laws, promise = calibrate(held_out, {r.session: r.seen for r in readings})
    calibration = {"laws": laws.to_plain(), "promise": promise}
    records = [r.blocks.record for r in readings]
    return Baseline.assemble(training.model, records, asked, calibration)


def _without(reading: Reading, leave_out: Collection[tuple[str, str]]) -> Reading:
    """Return a reading in which some units have no current, and so teach nothing."""
    record = reading.blocks.record
    gone = {j for j in reading.blocks.joints if (record.session, record.unit(j)) in leave_out}
    if not gone:
        return reading
    nothing = np.full(len(reading.blocks), np.nan)
    joints = {
        name: replace(joint, current_a=nothing) if name in gone else joint
        for name, joint in reading.blocks.joints.items()
    }
    seen = {joint: by for joint, by in reading.seen.items() if joint not in gone}
    return Reading(replace(reading.blocks, joints=joints), seen)


def _all_sessions(archive: Archive) -> list[str]:
    frame = archive.sessions()
    return frame["session"].to_list() if frame.height else []
