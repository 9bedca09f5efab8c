"""A session's channels, each stream read once, ready to be carried to other instants."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from functools import lru_cache

import numpy as np
import polars as pl
from numpy.typing import NDArray

from replay.archive import Archive
from replay.arm import Arm, load_arm
from replay.records import Session
from replay.signals.carry import carry
from replay.signals.motion import Motion, Samples, motions
from replay.signals.rates import Array, unwrapped
from replay.units import JOINT_QUANTITIES, SESSION_QUANTITIES, TIME, channel

PADDING = timedelta(seconds=2)
"""Read on both sides of an excerpt, so that its edges are no worse than its middle."""

Nanoseconds = NDArray[np.int64]


class Channels:
    """The session's channels, each stream read once."""

    def __init__(
        self,
        archive: Archive,
        record: Session,
        joints: Sequence[str],
        start: datetime | None,
        end: datetime | None,
    ) -> None:
        self.record = record
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

    def of_session(self, quantity: str, time_ns: Nanoseconds) -> pl.Series:
        """Return a channel of the whole session, its constant where there is no channel."""
        constant = getattr(self.record, quantity, None)
        if not self.has(quantity) and constant is not None:
            kind = SESSION_QUANTITIES[quantity].dtype
            return pl.Series(quantity, [constant], dtype=kind).new_from_index(0, len(time_ns))
        return self.at(quantity, quantity, time_ns)

    def brake(self, joint: str, time_ns: Nanoseconds) -> NDArray[np.int8]:
        """Return 1 engaged, 0 released, -1 unknown; the command stands in for a missing state."""
        for quantity in ("brake_engaged", "brake_engage_cmd"):
            if self.has(channel(joint, quantity)):
                state = self.at(channel(joint, quantity), quantity, time_ns)
                return state.cast(pl.Int8).fill_null(-1).to_numpy()
        return np.full(len(time_ns), -1, dtype=np.int8)

    def motions(self, joints: Sequence[str]) -> dict[str, Motion]:
        """Return the joints' motion, each on the instants where it was measured."""
        angles = {j: self.numbers(channel(j, "angle_deg")) for j in joints}
        logged = {j: self.numbers(channel(j, "rate_deg_s")) for j in joints}
        states: dict[str, NDArray[np.int8]] = {}
        for j in joints:
            base = logged[j] if len(logged[j].values) else angles[j]
            states[j] = self.brake(j, base.time_ns)
        return motions(angles, logged, states)

    def angle(self, joint: str, moved: Motion | None, time_ns: Nanoseconds) -> Array:
        """Return the unwrapped angle at other instants, NaN where unknown."""
        if moved is not None and not moved.logged_rate:
            return carried(moved.time_ns, moved.angle_deg, time_ns)
        samples = self.numbers(channel(joint, "angle_deg"))
        return carried(samples.time_ns, unwrapped(samples.values), time_ns)


def carried(source_ns: Nanoseconds, values: Array, time_ns: Nanoseconds) -> Array:
    """Return a numeric series at other instants, NaN where it cannot be told."""
    if len(source_ns) == len(time_ns) and np.array_equal(source_ns, time_ns):
        return values
    out: Array = (
        carry(time_ns, source_ns, pl.Series(values, dtype=pl.Float64), "interpolate")
        .fill_null(float("nan"))
        .to_numpy()
    )
    return out


@lru_cache(maxsize=8)
def _arm_of_text(text: str) -> Arm:
    return load_arm(text)


def arm_of(record: Session) -> Arm | None:
    """Return the session's arm where its joints are the session's, else None."""
    if not record.arm_toml:
        return None
    arm = _arm_of_text(record.arm_toml)
    return arm if set(arm.joint_names) <= set(record.joints) else None
