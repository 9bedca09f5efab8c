"""The joint table: everything known about one joint of one session, row by row."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import polars as pl

from replay.archive import Archive
from replay.arm import has_masses
from replay.errors import ArchiveError, UsageError
from replay.records import Session
from replay.signals.carry import interpolated
from replay.signals.channels import Channels, arm_of
from replay.signals.columns import JointColumns
from replay.signals.motion import breaks, measured, segments
from replay.signals.motion.measured import Motion, Samples
from replay.signals.postures import Postures
from replay.units import channel, nanoseconds


def joint_table(
    archive: Archive,
    session: str,
    joint: str,
    *,
    start: datetime | None = None,
    end: datetime | None = None,
) -> pl.DataFrame:
    """Return one joint's table: the columns of `replay.units.JOINT_TABLE`.

    Parameters
    ----------
    archive : Archive
    session, joint : str
    start, end : datetime, optional
        An excerpt; ``start`` is included, ``end`` is not. Segments are
        numbered from 0 within it.

    Returns
    -------
    polars.DataFrame
        One row per sample of the joint's motor current. Other channels are
        interpolated or held over at most 2.5 of their own steps
        (`replay.signals.carry`). A rate that was not logged comes from the
        angles, with its standard error (`replay.signals.motion.rates`). ``load_nm``
        needs an arm file with geometry and link masses, and every joint's
        angle (`replay.signals.postures` says what is taken for base and payload).

    Raises
    ------
    ArchiveError
        No such session, or the joint has no motor current in it.
    UsageError
        The session has no such joint.
    """
    return joint_tables(archive, session, [joint], start=start, end=end)[joint]


def joint_tables(
    archive: Archive,
    session: str,
    joints: Iterable[str] | None = None,
    *,
    start: datetime | None = None,
    end: datetime | None = None,
) -> dict[str, pl.DataFrame]:
    """Return the tables of several joints (all with a current by default) in one pass.

    Poses and loads are computed once for all of them; see `joint_table`.

    Parameters
    ----------
    archive : Archive
    session : str
        Name of a session in the archive.
    joints : iterable of str, optional
        All joints with a current by default.
    start : datetime, optional
        From here on; with a time zone.
    end : datetime, optional
        Up to here; with a time zone.

    Returns
    -------
    dict of str to DataFrame
        By joint, a table with the columns of `replay.units.JOINT_TABLE`.
    """
    ready = prepare(archive, session, joints, start=start, end=end)
    return {name: table_of(ready, name) for name in ready.joints}


@dataclass(frozen=True, slots=True)
class Prepared:
    """A session read once: its channels and motions, and postures where there is an arm."""

    record: Session
    channels: Channels
    moved: dict[str, Motion]
    postures: Postures | None
    joints: tuple[str, ...]
    start: datetime | None
    end: datetime | None


def prepare(
    archive: Archive,
    session: str,
    joints: Iterable[str] | None = None,
    *,
    start: datetime | None = None,
    end: datetime | None = None,
) -> Prepared:
    """Read what the tables of these joints need; see `joint_tables`."""
    record = archive.session(session)
    named = list(record.joints if joints is None else joints)
    for name in named:
        if name not in record.joints:
            raise UsageError(
                f"session {session!r} has no joint {name!r}",
                todo=f"it has {', '.join(record.joints)}",
            )
    arm = arm_of(record)
    whole = (
        arm is not None and (has_masses(arm) or joints is None) and arm.tip_from_last is not None
    )
    others = arm.joint_names if whole and arm is not None else ()
    everyone = list(dict.fromkeys([*named, *others]))
    channels = Channels(archive, record, everyone, start, end)
    wanted: list[str] = []
    for name in named:
        if channels.has(channel(name, "current_a")):
            wanted.append(name)
        elif joints is not None:
            raise ArchiveError(
                f"session {session!r} has no motor current for this joint",
                joint=name,
                todo="map its current column and ingest the log again",
            )
    moved = channels.motions(everyone)
    postures = Postures(channels, arm, moved) if arm is not None else None
    return Prepared(record, channels, moved, postures, tuple(wanted), start, end)


def table_of(ready: Prepared, joint: str) -> pl.DataFrame:
    """Return one joint's table from a session that was read already."""
    return columns_from(ready, joint).frame()


def joint_columns(
    archive: Archive,
    session: str,
    *,
    start: datetime | None = None,
    end: datetime | None = None,
) -> dict[str, JointColumns]:
    """Return what `joint_tables` does as bare arrays, which is quicker for whole sessions."""
    ready = prepare(archive, session, start=start, end=end)
    return {name: columns_from(ready, name) for name in ready.joints}


def columns_from(ready: Prepared, joint: str) -> JointColumns:
    """Return one joint's columns from a session that was read already."""
    record, channels, posture = ready.record, ready.channels, ready.postures
    moved = ready.moved.get(joint)
    current = channels.numbers(channel(joint, "current_a"))
    if not current.values.size:  # asked for by `logged_table` (without_current.py) only
        other = channels.raw(channel(joint, "temperature_c"))[0] if moved is None else moved.time_ns
        current = Samples(other, np.full(len(other), np.nan))
    time_ns = current.time_ns
    n = len(time_ns)
    nothing = np.full(n, np.nan)
    rate, rate_se, accel = nothing, nothing, nothing
    starts = breaks.gap_starts(measured.seconds(time_ns))
    rate_noise = accel_noise = 0.0
    if moved is not None:
        rate = interpolated(time_ns, moved.time_ns, moved.rate_deg_s)
        rate_se = interpolated(time_ns, moved.time_ns, moved.rate_se_deg_s)
        accel = interpolated(time_ns, moved.time_ns, moved.accel_deg_s2)
        rate_noise, accel_noise = moved.rate_noise_deg_s, moved.accel_noise_deg_s2
    cuts = segments.cut(
        rate,
        accel,
        channels.brake(joint, time_ns),
        starts,
        rate_noise_deg_s=rate_noise,
        accel_noise_deg_s2=accel_noise,
    )
    first_ns = nanoseconds(record.start)
    whole = JointColumns(
        time=time_ns,
        t_s=(time_ns - first_ns) / 1e9,
        angle_deg=channels.angle(joint, moved, time_ns),
        rate_deg_s=rate,
        rate_se_deg_s=rate_se,
        rate_cmd_deg_s=channels.commanded_rate(joint, time_ns),
        accel_deg_s2=accel,
        current_a=current.values,
        temperature_c=channels.at(channel(joint, "temperature_c"), time_ns),
        brake_engaged=channels.codes(channel(joint, "brake_engaged"), time_ns),
        brake_engage_cmd=channels.codes(channel(joint, "brake_engage_cmd"), time_ns),
        payload_kg=channels.payload_kg(time_ns),
        person_on_tip=channels.person_on_tip(time_ns),
        base_end=channels.base_end(time_ns),
        load_nm=nothing if posture is None else posture.load_nm(joint, time_ns),
        motion=cuts.motion,
        stage=cuts.stage,
        direction=cuts.direction,
        segment=cuts.segment,
    )
    if ready.start is None and ready.end is None:
        return whole
    first = 0 if ready.start is None else int(np.searchsorted(time_ns, nanoseconds(ready.start)))
    stop = n if ready.end is None else int(np.searchsorted(time_ns, nanoseconds(ready.end)))
    return whole.rows(first, max(stop, first))
