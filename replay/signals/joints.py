"""The joint table: everything known about one joint of one session, row by row."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

from replay.archive import Archive
from replay.errors import ArchiveError, UsageError
from replay.records import Session
from replay.signals import motion, rates, segments
from replay.signals.carry import carry
from replay.signals.motion import Motion, Samples
from replay.signals.rates import Array
from replay.units import JOINT_QUANTITIES, JOINT_TABLE, SESSION_QUANTITIES, TIME, channel

PADDING = timedelta(seconds=2)
"""Read on both sides of an excerpt, so that its edges are no worse than its middle."""

Nanoseconds = NDArray[np.int64]


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
        angles, with its standard error (`replay.signals.rates`).

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
    """
    record = archive.session(session)
    named = list(record.joints if joints is None else joints)
    for name in named:
        if name not in record.joints:
            raise UsageError(
                f"session {session!r} has no joint {name!r}",
                todo=f"it has {', '.join(record.joints)}",
            )
    channels = _Channels(archive, record, named, start, end)
    tables: dict[str, pl.DataFrame] = {}
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
    moved = _motions(channels, wanted)
    for name in wanted:
        tables[name] = _one(record, channels, name, moved.get(name), start, end)
    return tables


class _Channels:
    """The session's channels, each stream read once."""

    def __init__(
        self,
        archive: Archive,
        record: Session,
        joints: Sequence[str],
        start: datetime | None,
        end: datetime | None,
    ) -> None:
        asked = {channel(j, q) for j in joints for q in JOINT_QUANTITIES} | set(SESSION_QUANTITIES)
        self.found: dict[str, tuple[Nanoseconds, pl.Series]] = {}
        for stream, names in record.channels.items():
            here = [n for n in names if n in asked and n not in self.found]
            if not here:
                continue
            frame = archive.samples(
                record.session,
                stream=stream,
                channels=here,
                start=None if start is None else start - PADDING,
                end=None if end is None else end + PADDING,
            ).collect()
            time_ns = frame[TIME].cast(pl.Int64).to_numpy()
            for name in here:
                self.found[name] = (time_ns, frame[name])

    def has(self, name: str) -> bool:
        return name in self.found and self.found[name][1].null_count() < len(self.found[name][1])

    def numbers(self, name: str) -> Samples:
        """Return a numeric channel without nulls and NaNs; empty when it is not there."""
        if name not in self.found:
            return Samples(np.zeros(0, dtype=np.int64), np.zeros(0))
        time_ns, series = self.found[name]
        values = series.cast(pl.Float64).to_numpy()
        known = np.isfinite(values)
        return Samples(time_ns, values) if known.all() else Samples(time_ns[known], values[known])

    def at(self, name: str, quantity: str, time_ns: Nanoseconds) -> pl.Series:
        """Return a channel carried to other instants; nulls when it is not there."""
        kind = JOINT_QUANTITIES.get(quantity) or SESSION_QUANTITIES[quantity]
        if name not in self.found:
            return pl.Series(quantity, [None], dtype=kind.dtype).new_from_index(0, len(time_ns))
        source_ns, series = self.found[name]
        return carry(time_ns, source_ns, series.cast(kind.dtype), kind.carry).alias(quantity)

    def brake(self, joint: str, time_ns: Nanoseconds) -> NDArray[np.int8]:
        """Return 1 engaged, 0 released, -1 unknown; the command stands in for a missing state."""
        for quantity in ("brake_engaged", "brake_engage_cmd"):
            if self.has(channel(joint, quantity)):
                state = self.at(channel(joint, quantity), quantity, time_ns)
                return state.cast(pl.Int8).fill_null(-1).to_numpy()
        return np.full(len(time_ns), -1, dtype=np.int8)


def _motions(channels: _Channels, joints: Sequence[str]) -> dict[str, Motion]:
    angles = {j: channels.numbers(channel(j, "angle_deg")) for j in joints}
    logged = {j: channels.numbers(channel(j, "rate_deg_s")) for j in joints}
    states: dict[str, NDArray[np.int8]] = {}
    for j in joints:
        base = logged[j] if len(logged[j].values) else angles[j]
        states[j] = channels.brake(j, base.time_ns)
    return motion.motions(angles, logged, states)


def _one(
    record: Session,
    channels: _Channels,
    joint: str,
    moved: Motion | None,
    start: datetime | None,
    end: datetime | None,
) -> pl.DataFrame:
    current = channels.numbers(channel(joint, "current_a"))
    time_ns = current.time_ns
    n = len(time_ns)
    nothing = np.full(n, np.nan)
    rate, rate_se, accel = nothing, nothing, nothing
    starts = rates.gap_starts(motion.seconds(time_ns))
    rate_noise = accel_noise = 0.0
    if moved is not None:
        rate = _carried(moved, moved.rate_deg_s, time_ns)
        rate_se = _carried(moved, moved.rate_se_deg_s, time_ns)
        accel = _carried(moved, moved.accel_deg_s2, time_ns)
        rate_noise, accel_noise = moved.rate_noise_deg_s, moved.accel_noise_deg_s2
    angle = nothing
    if moved is not None and not moved.logged_rate:
        angle = _carried(moved, moved.angle_deg, time_ns)
    elif channels.has(channel(joint, "angle_deg")):
        samples = channels.numbers(channel(joint, "angle_deg"))
        whole = pl.Series(rates.unwrapped(samples.values))
        angle = _floats(carry(time_ns, samples.time_ns, whole, "interpolate"))
    brake = channels.brake(joint, time_ns)
    cuts = segments.cut(
        rate,
        accel,
        brake,
        starts,
        rate_noise_deg_s=rate_noise,
        accel_noise_deg_s2=accel_noise,
    )
    first_ns = int(np.datetime64(record.start.replace(tzinfo=None), "ns").astype(np.int64))
    columns: dict[str, pl.Series] = {
        "time": pl.Series(time_ns).cast(pl.Datetime("ns")).dt.replace_time_zone("UTC"),
        "t_s": pl.Series((time_ns - first_ns) / 1e9),
        "angle_deg": pl.Series(angle),
        "rate_deg_s": pl.Series(rate),
        "rate_se_deg_s": pl.Series(rate_se),
        "accel_deg_s2": pl.Series(accel),
        "current_a": pl.Series(current.values),
        "load_nm": pl.Series(nothing),
        "motion": _words(cuts.motion, segments.MOTIONS),
        "stage": _words(cuts.stage, segments.STAGES),
        "direction": pl.Series(cuts.direction),
        "segment": pl.Series(cuts.segment),
    }
    for quantity in ("rate_cmd_deg_s", "temperature_c", "brake_engaged", "brake_engage_cmd"):
        columns[quantity] = channels.at(channel(joint, quantity), quantity, time_ns)
    for quantity in ("payload_kg", "person_on_tip", "base_end"):
        columns[quantity] = _of_session(record, channels, quantity, time_ns)
    frame = pl.DataFrame(
        [
            (series.fill_nan(None) if series.dtype.is_float() else series)
            .cast(JOINT_TABLE[name])
            .alias(name)
            for name, series in ((name, columns[name]) for name in JOINT_TABLE)
        ]
    )
    if start is None and end is None:
        return frame
    if start is not None:
        frame = frame.filter(pl.col(TIME) >= start)
    if end is not None:
        frame = frame.filter(pl.col(TIME) < end)
    return frame.with_columns(pl.col("segment") - pl.col("segment").min())


def _of_session(
    record: Session, channels: _Channels, quantity: str, time_ns: Nanoseconds
) -> pl.Series:
    series = channels.at(quantity, quantity, time_ns)
    constant = getattr(record, quantity, None)
    if constant is not None and series.null_count():
        series = series.fill_null(pl.lit(constant)) if len(series) else series
    return series


def _carried(moved: Motion, values: NDArray[np.float64], time_ns: Nanoseconds) -> Array:
    if len(moved.time_ns) == len(time_ns) and np.array_equal(moved.time_ns, time_ns):
        return values
    return _floats(carry(time_ns, moved.time_ns, pl.Series(values), "interpolate"))


def _floats(series: pl.Series) -> Array:
    return series.cast(pl.Float64).fill_null(float("nan")).to_numpy()


def _words(codes: NDArray[np.int8], words: tuple[str, ...]) -> pl.Series:
    names = pl.Series([*words, None], dtype=pl.String)
    index = np.where(codes < 0, len(words), codes).astype(np.uint32)
    return names.gather(pl.Series(index))
