"""The whole arm at each instant: loads at its joints, the tip's place and speed.

Where a session says nothing of its base, end A is taken, and where it says
nothing of a payload, none; where it says something but not at this instant,
the figures are unknown there.
"""

from __future__ import annotations

from datetime import datetime

import numpy as np
import polars as pl
from numpy.typing import NDArray

from replay.archive import Archive
from replay.arm import Arm, has_masses, loads, tip_place, tip_speed
from replay.arm.chain import End
from replay.errors import ArchiveError
from replay.signals.carry import Codes, Nanoseconds, interpolated
from replay.signals.channels import Channels, arm_of
from replay.signals.motion.measured import Motion, seconds
from replay.statistics.noise import Array
from replay.units import TIME, TIME_DTYPE, channel

LOAD_CASES = ("bare", "payload", "person")


class Postures:
    """Angles, rates and accelerations of all joints on shared instants, and what follows."""

    def __init__(self, channels: Channels, arm: Arm, moved: dict[str, Motion]) -> None:
        self.channels, self.arm, self.moved = channels, arm, moved
        self._done: list[tuple[Nanoseconds, Array, Array]] = []

    def at(self, time_ns: Nanoseconds) -> tuple[Array, Array, Array] | None:
        """Return (n, k) angles, rates, accelerations; None where a joint's angle was not logged."""
        columns: tuple[list[Array], list[Array], list[Array]] = ([], [], [])
        for name in self.arm.joint_names:
            moved = self.moved.get(name)
            if moved is None or not self.channels.has(channel(name, "angle_deg")):
                return None
            columns[0].append(self.channels.angle(name, moved, time_ns))
            columns[1].append(interpolated(time_ns, moved.time_ns, moved.rate_deg_s))
            columns[2].append(interpolated(time_ns, moved.time_ns, moved.accel_deg_s2))
        angle, rate, accel = (np.stack(c, axis=1) for c in columns)
        return angle, rate, accel

    def base_rows(self, time_ns: Nanoseconds) -> dict[End, NDArray[np.bool_]]:
        """Return which rows have which base."""
        ends = self.channels.base_end(time_ns)
        if (ends < 0).all():
            return {"A": np.ones(len(ends), dtype=bool)}
        return {"A": ends == 0, "B": ends == 1}

    def payload_kg(self, time_ns: Nanoseconds) -> Array:
        """Return the payload's mass, 0 throughout where the session has none."""
        mass = self.channels.payload_kg(time_ns)
        return np.zeros(len(mass)) if np.isnan(mass).all() else mass

    def load_nm(self, joint: str, time_ns: Nanoseconds) -> Array:
        """Return the rigid-body torque at one joint's output, NaN where unknown."""
        if joint not in self.arm.joint_names or not has_masses(self.arm):
            return np.full(len(time_ns), np.nan)
        torque = self._whole(time_ns)[0]
        own: Array = torque[self.arm.joint_names.index(joint)]
        return own

    def speed_m_s(self, time_ns: Nanoseconds) -> Array:
        """Return the tip's speed over the base, NaN where unknown."""
        return self._whole(time_ns)[1]

    def _whole(self, time_ns: Nanoseconds) -> tuple[Array, Array]:
        """Return torques (k, n) and tip speeds (n,); one pass gives both, and is kept."""
        for known, torque, speed in self._done:
            if len(known) == len(time_ns) and np.array_equal(known, time_ns):
                return torque, speed
        torque = np.full((len(time_ns), len(self.arm.joints)), np.nan)
        speed = np.full(len(time_ns), np.nan)
        state = self.at(time_ns)
        if state is not None:
            payload = self.payload_kg(time_ns)
            for base, rows in self.base_rows(time_ns).items():
                if not rows.any():
                    continue
                which = slice(None) if rows.all() else rows
                angle, rate, accel = (s[which] for s in state)
                if has_masses(self.arm):
                    found = loads(
                        self.arm, angle, rate, accel, base=base, payload_kg=payload[which]
                    )
                    torque[which], speed[which] = found.torque_nm, found.tip_speed_m_s
                else:
                    speed[which] = tip_speed(self.arm, angle, rate, base=base)
        by_joint = np.ascontiguousarray(torque.T)
        self._done.append((time_ns, by_joint, speed))
        return by_joint, speed


def tip_table(
    archive: Archive, session: str, *, start: datetime | None = None, end: datetime | None = None
) -> pl.DataFrame:
    """Return the tip's place and speed at every instant of the first joint's motion.

    Parameters
    ----------
    archive : Archive
    session : str
        Name of a session in the archive.
    start : datetime, optional
        From here on; with a time zone.
    end : datetime, optional
        Up to here; with a time zone.

    Returns
    -------
    polars.DataFrame
        ``time``, ``t_s`` (from the first row), ``x_m y_m z_m`` (in the base's
        frame), ``tip_speed_m_s``, ``load_case`` (bare, payload or person),
        ``limit_m_s`` (the arm file's for that case, null where it has none),
        ``over_limit`` (null without a limit).

    Raises
    ------
    ArchiveError
        The session's arm has no geometry, or an angle is missing.
    """
    record = archive.session(session)
    arm = arm_of(record)
    if arm is None or arm.tip_from_last is None:
        raise ArchiveError(
            f"session {session!r} has no arm with geometry",
            todo="ingest it with an arm file that has [joints.geometry]",
        )
    channels = Channels(archive, record, arm.joint_names, start, end)
    moved = channels.motions(arm.joint_names)
    return tip_of(session, Postures(channels, arm, moved), start=start, end=end)


def tip_of(
    session: str,
    postures: Postures,
    *,
    start: datetime | None = None,
    end: datetime | None = None,
) -> pl.DataFrame:
    """Return `tip_table` from postures that were made already."""
    arm, channels = postures.arm, postures.channels
    first = postures.moved.get(arm.joint_names[0])
    time_ns = first.time_ns if first is not None else np.zeros(0, dtype=np.int64)
    state = postures.at(time_ns)
    if state is None:
        raise ArchiveError(
            f"session {session!r} lacks an angle of a joint", todo="poses need the angle of each"
        )
    angle = state[0]
    place, speed = np.full((len(time_ns), 3), np.nan), postures.speed_m_s(time_ns)
    for base, rows in postures.base_rows(time_ns).items():
        if rows.any():
            which = slice(None) if rows.all() else rows
            place[which] = tip_place(arm, angle[which], base=base)
    case = load_cases(channels.payload_kg(time_ns), channels.person_on_tip(time_ns))
    limits = arm.tip_speed_limit_m_s
    frame = pl.DataFrame(
        {
            "time": pl.Series(time_ns).cast(pl.Datetime("ns")).dt.replace_time_zone("UTC"),
            "t_s": seconds(time_ns),
            "x_m": place[:, 0],
            "y_m": place[:, 1],
            "z_m": place[:, 2],
            "tip_speed_m_s": speed,
            "load_case": pl.Series(case).replace_strict(
                range(len(LOAD_CASES)), LOAD_CASES, return_dtype=pl.String
            ),
            "limit_m_s": np.array([limits.get(c, np.nan) for c in LOAD_CASES])[case],
        }
    ).with_columns(pl.col(pl.Float64).fill_nan(None))
    frame = frame.with_columns((pl.col("tip_speed_m_s") > pl.col("limit_m_s")).alias("over_limit"))
    if start is not None:
        frame = frame.filter(pl.col(TIME) >= pl.lit(start, dtype=TIME_DTYPE))
    if end is not None:
        frame = frame.filter(pl.col(TIME) < pl.lit(end, dtype=TIME_DTYPE))
    return frame


def load_cases(payload_kg: Array, person_on_tip: Codes) -> Codes:
    """Return which tip speed limit counts, a code into `LOAD_CASES` a row.

    A person comes before a payload before nothing; what is not known to be
    there does not count.
    """
    out: Codes = np.where(person_on_tip == 1, 2, np.where(payload_kg > 0, 1, 0)).astype(np.int8)
    return out
