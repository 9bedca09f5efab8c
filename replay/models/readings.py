"""Sessions read into bins and marks: the only place where models touch samples."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from replay.archive import Archive
from replay.models.bins import Angles, Bins, bin_table
from replay.models.spool import Spool
from replay.models.symptoms.brakes import brake_marks
from replay.models.symptoms.marks import Mark
from replay.models.symptoms.telemetry import telemetry_marks
from replay.records import Session
from replay.signals.columns import JointColumns, columns_of
from replay.signals.joints import joint_columns

JUMP_DEG = 0.5
"""A step between two samples at least this far off the motion is the sensor's."""

CATCHES_UP_S = 0.1
"""A step this soon after an angle stood still is its way back."""

FASTER = 1.5
"""A step this many times faster than the joint ever runs is no motion."""

PAUSE_S = 10.0
"""Bins further apart than this have a pause of the log between them."""

PIECE_ROWS = 400_000
"""A session longer than this (an hour at 100 Hz) is read in pieces, and its
bins wait on disk, so that memory stays flat."""


@dataclass(slots=True)
class Reading:
    """One joint of one session, condensed."""

    session: str
    joint: str
    unit: str
    start: datetime
    bins: Bins
    marks: list[Mark]

    @property
    def hours(self) -> float:
        """Time that was recorded, h: a pause of the log is none of it."""
        if not len(self.bins):
            return 0.0
        pauses = self.bins.start_s[1:] - self.bins.end_s[:-1]
        paused = float(pauses[pauses > PAUSE_S].sum())
        return float(self.bins.end_s[-1] - self.bins.start_s[0] - paused) / 3600.0


def read_tables(
    archive: Archive, record: Session, *, share: float = 1.0
) -> Iterator[dict[str, JointColumns]]:
    """Yield the session's joint tables, as arrays, in pieces of bounded size.

    Parameters
    ----------
    share : float
        Below 1: only a piece of this share from the middle of the session.
    """
    length = record.end - record.start
    pieces = max(1, -(-record.rows // PIECE_ROWS))
    if share < 1.0:
        start = record.start + length * (0.5 - share / 2)
        yield joint_columns(archive, record.session, start=start, end=start + length * share)
        return
    if pieces == 1:
        yield joint_columns(archive, record.session)
        return
    for k in range(pieces):
        start = record.start + length * k / pieces
        end = record.start + length * (k + 1) / pieces + timedelta(microseconds=k == pieces - 1)
        yield joint_columns(archive, record.session, start=start, end=end)


def read_session(archive: Archive, record: Session, *, share: float = 1.0) -> list[Reading]:
    """Condense every joint of a session that has a current."""
    return list(readings_of(archive, record, share=share))


def readings_of(archive: Archive, record: Session, *, share: float = 1.0) -> Iterator[Reading]:
    """Condense a session and yield joint by joint, without holding all of a long one."""
    marks: dict[str, list[Mark]] = {}
    rows: dict[str, int] = {}
    jumped: dict[str, float] = {}
    with Spool(wait_on_disk=share == 1.0 and record.rows > PIECE_ROWS) as spool:
        for tables in read_tables(archive, record, share=share):
            found_now = {joint: table_marks(table) for joint, table in tables.items()}
            arm = {
                j: _angles(t, found_now[j], jumped.setdefault(j, 0.0)) for j, t in tables.items()
            }
            for joint, found in found_now.items():
                jumped[joint] += sum(step for _, step in _jumps(found))
            for joint, found in found_now.items():
                first, length = rows.get(joint, 0), len(tables[joint])
                spool.add(joint, bin_table(tables.pop(joint), first_row=first, arm=arm))
                marks.setdefault(joint, []).extend(found)
                rows[joint] = first + length
            del arm  # or two pieces would be held at a time
        for joint, found in marks.items():
            yield Reading(
                record.session,
                joint,
                record.unit(joint),
                record.start,
                spool.take(joint),
                found,
            )


def _jumps(marks: list[Mark]) -> list[tuple[float, float]]:
    """Return when, s, and by how much, deg, an angle sensor jumped, in order.

    An angle that stood still and then tells where the joint has gone is right again.
    """
    stood = [m.end_s for m in marks if m.name == "angle frozen"]
    return sorted(
        (m.end_s, float(m.detail["step_deg"]))
        for m in marks
        if m.name == "angle step"
        and m.value >= JUMP_DEG
        and not any(m.start_s - CATCHES_UP_S <= end <= m.end_s for end in stood)
    )


def _angles(table: JointColumns, marks: list[Mark], before: float) -> Angles:
    """Return a joint's angle with its sensor's jumps taken out again, and what it froze at.

    The other joints' currents answer to where the arm is, not to what one
    sensor says.
    """
    jumps, angle = _jumps(marks), table.angle_deg
    stood = [m for m in marks if m.name == "angle frozen"]
    if stood:
        angle = angle.copy()
        for mark in stood:
            angle[(table.t_s > mark.start_s) & (table.t_s <= mark.end_s)] = np.nan
    if not jumps and before == 0.0:
        return Angles.of(table.t_s, angle)
    at = np.array([t for t, _ in jumps])
    total = before + np.concatenate(([0.0], np.cumsum([step for _, step in jumps])))
    off = total[np.searchsorted(at, table.t_s, side="right")]
    return Angles.of(table.t_s, angle - off)


def table_marks(table: pl.DataFrame | JointColumns) -> list[Mark]:
    """Return every single finding of a joint table."""
    columns = columns_of(table)
    sensors, brakes = telemetry_marks(columns), brake_marks(columns)
    jumps = [m for m in sensors if m.name == "angle step" and m.detail["faster"] > FASTER]
    return sensors + [m for m in brakes if m.name != "slip" or not _jumped(m, jumps)]


def _jumped(slip: Mark, jumps: list[Mark]) -> bool:
    """Tell whether a slip is a jump of the angle's sensor while the brake was engaged."""
    inside = [m for m in jumps if slip.detail["from_s"] <= m.end_s <= slip.detail["to_s"]]
    return sum(m.value for m in inside) > 0.5 * slip.value
