"""A session's channels, each stream read once, ready to be carried to other instants."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from functools import lru_cache

import numpy as np
import polars as pl
from numpy.typing import NDArray

from replay.archive import Archive
from replay.arm import Arm, load_arm
from replay.records import Session
from replay.signals.carry import (
    SLOW_S,
    Array,
    Codes,
    Nanoseconds,
    bridged,
    held,
    held_numbers,
    interpolated,
)
from replay.signals.motion.breaks import GAP_STEPS, unwrapped
from replay.signals.motion.measured import Motion, Samples, motions
from replay.units import (
    JOINT_QUANTITIES,
    SESSION_QUANTITIES,
    TIME,
    channel,
    nanoseconds,
    split_channel,
)

PADDING = timedelta(seconds=2)
"""Read on both sides of an excerpt, so that its edges are no worse than its middle."""

ENDS = ("A", "B")
"""Words of the base end, by code."""

_SKIPPED = ("phase",)  # free words, which nothing here computes with

_BRING = {"interpolate": interpolated, "slow": bridged, "hold": held_numbers}


def _is_slow(name: str) -> bool:
    kind = JOINT_QUANTITIES.get(split_channel(name)[1])
    return kind is not None and kind.carry == "slow"


class Channels:
    """The channels of some joints and of the session, as numpy arrays.

    Numbers have NaN, switches and base ends (codes into `ENDS`) -1 where
    nothing is known. Where two streams have a channel, the first is read:
    ``main``, or the one that ``first`` names.
    """

    def __init__(
        self,
        archive: Archive,
        record: Session,
        joints: Iterable[str],
        start: datetime | None = None,
        end: datetime | None = None,
        *,
        first: str = "main",
    ) -> None:
        asked = {channel(j, q) for j in joints for q in JOINT_QUANTITIES}
        asked |= {q for q in SESSION_QUANTITIES if q not in _SKIPPED}
        self.record = record
        self.archive = archive
        self._found: dict[str, tuple[Nanoseconds, NDArray[np.float64] | Codes]] = {}
        for stream, names in sorted(record.channels.items(), key=lambda item: item[0] != first):
            here = [n for n in names if n in asked and n not in self._found]
            if not here:
                continue
            self._read(stream, here, start, end, PADDING)
            # what is slow may have been told minutes before an excerpt begins
            slow = [n for n in here if _is_slow(n) and not self._spans(n, start, end)]
            if slow:
                self._read(stream, slow, start, end, timedelta(seconds=SLOW_S))

    def _read(
        self,
        stream: str,
        names: list[str],
        start: datetime | None,
        end: datetime | None,
        padding: timedelta,
    ) -> None:
        frame = (
            self.archive.samples(
                self.record.session,
                stream=stream,
                channels=names,
                start=None if start is None else start - padding,
                end=None if end is None else end + padding,
            )
            .select(pl.col(TIME).cast(pl.Int64), *(_as_numbers(name) for name in names))
            .collect()
        )
        time_ns = frame[TIME].to_numpy()
        for name in names:
            self._found[name] = (time_ns, frame[name].to_numpy())

    def _spans(self, name: str, start: datetime | None, end: datetime | None) -> bool:
        """Tell whether a numeric channel has readings all through what is asked for."""
        if start is None and end is None:
            return True
        time_ns, values = self._found[name]
        first = max(start or self.record.start, self.record.start)
        last = min(end or self.record.end, self.record.end)
        inside = bool(np.isfinite(values).all()) and len(time_ns) > 0
        return inside and time_ns[0] <= nanoseconds(first) and time_ns[-1] >= nanoseconds(last)

    def has(self, name: str) -> bool:
        """Tell whether a channel has any value."""
        if name not in self._found:
            return False
        values = self._found[name][1]
        if values.dtype == np.int8:
            return bool((values >= 0).any())
        return bool(np.isfinite(values).any())

    def numbers(self, name: str) -> Samples:
        """Return a numeric channel without unknown values; empty when it is not there."""
        if name not in self._found:
            return Samples(np.zeros(0, dtype=np.int64), np.zeros(0))
        time_ns, values = self._found[name]
        known = np.isfinite(values)
        if known.all():
            return Samples(time_ns, values.astype(np.float64, copy=False))
        return Samples(time_ns[known], values[known].astype(np.float64, copy=False))

    def raw(self, name: str) -> tuple[Nanoseconds, Array]:
        """Return a numeric channel with every row of its stream, NaN where nothing was said."""
        if name not in self._found:
            return np.zeros(0, dtype=np.int64), np.zeros(0)
        time_ns, values = self._found[name]
        return time_ns, values.astype(np.float64, copy=False)

    def codes(self, name: str, time_ns: Nanoseconds) -> Codes:
        """Return a switch or a base end at other instants, -1 where unknown."""
        if name not in self._found:
            return np.full(len(time_ns), -1, dtype=np.int8)
        source_ns, values = self._found[name]
        return held(time_ns, source_ns, values.astype(np.int8, copy=False))

    def at(self, name: str, time_ns: Nanoseconds) -> Array:
        """Return a numeric channel at other instants, NaN where unknown."""
        if name not in self._found:
            return np.full(len(time_ns), np.nan)
        source_ns, values = self._found[name]
        quantity = split_channel(name)[1]
        kind = JOINT_QUANTITIES.get(quantity) or SESSION_QUANTITIES[quantity]
        return _BRING[kind.carry](time_ns, source_ns, values.astype(np.float64, copy=False))

    def commanded_rate(self, joint: str, time_ns: Nanoseconds) -> Array:
        """Return the commanded rate; where only angles are commanded, their slope.

        A command has no noise to smooth: its slope is that between neighbours,
        and holds from one command to the next. A pause of the log is no slope.
        """
        name = channel(joint, "rate_cmd_deg_s")
        commanded = self.numbers(channel(joint, "angle_cmd_deg"))
        if self.has(name) or len(commanded.values) < 2:
            return self.at(name, time_ns)
        step_s = np.diff(commanded.time_ns) / 1e9
        slope = np.diff(commanded.values) / step_s
        slope[step_s > GAP_STEPS * np.median(step_s)] = np.nan
        return held_numbers(time_ns, commanded.time_ns[:-1], slope)

    def payload_kg(self, time_ns: Nanoseconds) -> Array:
        """Return the payload's mass, the session's constant where there is no channel."""
        if not self.has("payload_kg") and self.record.payload_kg is not None:
            return np.full(len(time_ns), self.record.payload_kg)
        return self.at("payload_kg", time_ns)

    def person_on_tip(self, time_ns: Nanoseconds) -> Codes:
        """Return 1 for a person on the tip, 0 for none, -1 unknown."""
        if not self.has("person_on_tip") and self.record.person_on_tip is not None:
            return np.full(len(time_ns), int(self.record.person_on_tip), dtype=np.int8)
        return self.codes("person_on_tip", time_ns)

    def base_end(self, time_ns: Nanoseconds) -> Codes:
        """Return the base end as a code into `ENDS`, -1 unknown."""
        if not self.has("base_end") and self.record.base_end in ENDS:
            return np.full(len(time_ns), ENDS.index(self.record.base_end), dtype=np.int8)
        return self.codes("base_end", time_ns)

    def brake(self, joint: str, time_ns: Nanoseconds) -> Codes:
        """Return 1 engaged, 0 released, -1 unknown; the command stands in for a missing state."""
        for quantity in ("brake_engaged", "brake_engage_cmd"):
            if self.has(channel(joint, quantity)):
                return self.codes(channel(joint, quantity), time_ns)
        return np.full(len(time_ns), -1, dtype=np.int8)

    def motions(self, joints: Sequence[str]) -> dict[str, Motion]:
        """Return the joints' motion, each on the instants where it was measured."""
        angles = {j: self.numbers(channel(j, "angle_deg")) for j in joints}
        logged = {j: self.numbers(channel(j, "rate_deg_s")) for j in joints}
        states: dict[str, Codes] = {}
        for j in joints:
            base = logged[j] if len(logged[j].values) else angles[j]
            word = self.codes(channel(j, "brake_engaged"), base.time_ns)
            command = self.codes(channel(j, "brake_engage_cmd"), base.time_ns)
            states[j] = (4 * word + command).astype(np.int8)
        return motions(angles, logged, states)

    def angle(self, joint: str, moved: Motion | None, time_ns: Nanoseconds) -> Array:
        """Return the unwrapped angle at other instants, NaN where unknown."""
        if moved is not None and not moved.logged_rate:
            return interpolated(time_ns, moved.time_ns, moved.angle_deg)
        samples = self.numbers(channel(joint, "angle_deg"))
        return interpolated(time_ns, samples.time_ns, unwrapped(samples.values))


def _as_numbers(name: str) -> pl.Expr:
    """Return the expression that reads a channel as floats or codes."""
    quantity = split_channel(name)[1]
    kind = JOINT_QUANTITIES.get(quantity) or SESSION_QUANTITIES[quantity]
    if kind.dtype == pl.Boolean:
        return pl.col(name).cast(pl.Int8).fill_null(-1)
    if kind.dtype == pl.String:
        word = pl.col(name).cast(pl.String)
        code = pl.when(word == ENDS[0]).then(0).when(word == ENDS[1]).then(1).otherwise(-1)
        return code.cast(pl.Int8).alias(name)
    return pl.col(name).cast(pl.Float64).fill_null(float("nan"))


@lru_cache(maxsize=8)
def _arm_of_text(text: str) -> Arm:
    return load_arm(text)


def arm_of(record: Session) -> Arm | None:
    """Return the session's arm where its joints are the session's, else None."""
    if not record.arm_toml:
        return None
    arm = _arm_of_text(record.arm_toml)
    return arm if set(arm.joint_names) <= set(record.joints) else None
