"""One joint at the log's own rate: what statistics of single samples read.

Nothing is interpolated here: a sample that the recorder did not deliver is
NaN (-1 for switches), so that its absence can be counted.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from replay.signals.channels import Channels
from replay.signals.motion.breaks import unwrapped
from replay.units import JOINT_QUANTITIES, channel

Floats = NDArray[np.float64]
Codes = NDArray[np.int8]
Flags = NDArray[np.bool_]

FEWEST_ROWS = 20
REPEATS = 0.02
"""Share of values that are like the one before, below which a channel tells of changes only."""
TOLD = ("current_a", "angle_deg", "temperature_c", "rate_cmd_deg_s")
"""Channels whose absence is counted; a recorder may keep some apart from the currents."""
BRAKES = ("brake_engaged", "brake_engage_cmd")
"""Words whose absence alone is not counted: one without a meaning in the map is absent too."""
SILENT = 4.0
"""A brake's word is silent after so many of its usual distances; with a usual distance of as many
rows it is told on change, and its silence says nothing."""


@dataclass(frozen=True)
class Track:
    """Rows of one joint, (n,); ``t_s`` counts from the session's first instant.

    ``angle_deg`` is unwrapped. ``rate_deg_s`` is NaN where no rate was
    logged, ``rate_cmd_deg_s`` where none was commanded.
    """

    joint: str
    unit: str
    t_s: Floats
    angle_deg: Floats
    rate_deg_s: Floats
    rate_cmd_deg_s: Floats
    current_a: Floats
    temperature_c: Floats
    engaged: Codes
    engage_cmd: Codes
    told_s: Mapping[str, Floats] = field(default_factory=dict)
    """When each channel was told, by the name of its column: values between are brought here."""
    apart: frozenset[str] = frozenset()
    """Channels that have instants of their own."""
    on_change: frozenset[str] = frozenset()
    """Those of them that hold, and are told when they change: no value comes twice in a row. Also
    brakes' words that are told too seldom to be sampled."""
    silent_s: Mapping[str, Floats] = field(default_factory=dict)
    """Of brakes' words that are told regularly, by column: (k, 2), the last one before a silence
    and the first after it."""

    @cached_property
    def period_s(self) -> float:
        """Median time between rows, s."""
        return float(np.median(np.diff(self.t_s[:20_000]))) if self.t_s.size > 1 else 0.0

    @cached_property
    def commanded(self) -> bool:
        """Tell whether the log has a commanded rate."""
        return bool(np.isfinite(self.rate_cmd_deg_s).any())

    @cached_property
    def due_deg(self) -> Floats | None:
        """Travel commanded since the first row, deg; None where nothing was commanded.

        A commanded rate holds until the next row; a lost one asks for nothing.
        """
        if not self.commanded:
            return None
        rate = np.nan_to_num(self.rate_cmd_deg_s[:-1])
        return np.concatenate(([0.0], np.cumsum(rate * np.diff(self.t_s))))

    @cached_property
    def resolution_deg(self) -> float:
        """Smallest step that the angle shows, deg."""
        step = np.abs(np.diff(self.angle_deg[:50_000]))
        step = step[np.isfinite(step) & (step > 1e-9)]
        return float(np.quantile(step, 0.02)) if step.size else 0.0

    @cached_property
    def slope_deg_s(self) -> Floats:
        """Rate from the angle over about 0.4 s, deg/s; NaN where the angle is not known."""
        half = max(1, round(0.2 / max(self.period_s, 1e-6)))
        angle, t = self.angle_deg, self.t_s
        out = np.full(t.size, np.nan)
        if t.size > 2 * half:
            out[half:-half] = (angle[2 * half :] - angle[: -2 * half]) / (
                t[2 * half :] - t[: -2 * half]
            )
        return out

    @cached_property
    def reference_deg_s(self) -> Floats:
        """The rate that is due: commanded, else logged, else the angle's own slope; 0 unknown."""
        for values in (self.rate_cmd_deg_s, self.rate_deg_s, self.slope_deg_s):
            if np.isfinite(values).any():
                return np.nan_to_num(values)
        return np.zeros(self.t_s.size)

    @cached_property
    def top_deg_s(self) -> float:
        """Usual fast rate of the joint, deg/s."""
        size = np.abs(self.reference_deg_s[:: max(1, self.t_s.size // 20_000)])
        return float(np.quantile(size[size > 0], 0.9)) if (size > 0).any() else 0.0

    @cached_property
    def motion_due(self) -> Flags:
        """Rows in which motion is due: the reference is not about zero."""
        return np.asarray(np.abs(self.reference_deg_s) > 0.02 * self.top_deg_s)

    @cached_property
    def braked(self) -> Flags:
        """Rows in which the brake's word (its command, where there is no word) says engaged."""
        word = self.engaged if (self.engaged >= 0).any() else self.engage_cmd
        return np.asarray(word == 1)


def tracks(channels: Channels, joints: tuple[str, ...], units: dict[str, str]) -> list[Track]:
    """Return the joints that have a current, row by row as recorded.

    Parameters
    ----------
    channels : Channels
        Of one piece of a session.
    joints : tuple of str
    units : dict
        Joint to the key of its unit.
    """
    start_ns = int(np.datetime64(channels.record.start.replace(tzinfo=None), "ns").astype(np.int64))
    made = []
    for joint in joints:
        base_ns, current = channels.raw(channel(joint, "current_a"))
        if base_ns.size < FEWEST_ROWS:
            continue

        told_s: dict[str, Floats] = {}
        apart: set[str] = set()
        on_change: set[str] = set()
        for quantity in TOLD:
            there_ns, values = channels.raw(channel(joint, quantity))
            told_s[quantity] = (there_ns[np.isfinite(values)] - start_ns) / 1e9
            if not np.array_equal(there_ns, base_ns):
                apart.add(quantity)
                known = values[np.isfinite(values)]
                holds = JOINT_QUANTITIES[quantity].carry == "hold"
                if holds and known.size > 1 and np.mean(np.diff(known) == 0) < REPEATS:
                    on_change.add(quantity)

        silent_s: dict[str, Floats] = {}
        for quantity in BRAKES:
            there_ns, codes = channels.raw(channel(joint, quantity))
            said = codes >= 0
            if said.all() and np.array_equal(there_ns, base_ns):
                continue
            told, row_s = (
                (there_ns[said] - start_ns) / 1e9,
                float(np.median(np.diff(base_ns))) / 1e9,
            )
            silent_s[quantity] = silences(told, row_s)
            if told.size and not np.median(np.diff(told[:20_000], prepend=-1e9)) <= SILENT * row_s:
                on_change.add(quantity)

        def at(quantity: str, joint: str = joint, base_ns: NDArray[np.int64] = base_ns) -> Floats:
            return channels.at(channel(joint, quantity), base_ns)

        made.append(
            Track(
                joint=joint,
                unit=units[joint],
                t_s=(base_ns - start_ns) / 1e9,
                angle_deg=_unwrapped(at("angle_deg")),
                rate_deg_s=at("rate_deg_s"),
                rate_cmd_deg_s=channels.commanded_rate(joint, base_ns),
                current_a=current,
                temperature_c=at("temperature_c"),
                engaged=channels.codes(channel(joint, "brake_engaged"), base_ns),
                engage_cmd=channels.codes(channel(joint, "brake_engage_cmd"), base_ns),
                told_s=told_s,
                apart=frozenset(apart),
                on_change=frozenset(on_change),
                silent_s=silent_s,
            )
        )
    return made


def silences(told_s: Floats, row_s: float) -> Floats:
    """Return where a word that is told regularly was not, (k, 2): its last and next instants.

    Parameters
    ----------
    told_s : (n,)
        Instants at which it was told, s.
    row_s : float
        Usual distance of the log's rows, s.
    """
    step = np.diff(told_s)
    usual = float(np.median(step[:20_000])) if step.size else float("inf")
    if not 0 < usual <= SILENT * row_s:
        return np.zeros((0, 2))
    after = np.flatnonzero(step > SILENT * usual)
    return np.stack([told_s[after], told_s[after + 1]], axis=1)


def _unwrapped(angle: Floats) -> Floats:
    known = np.isfinite(angle)
    if known.all():
        return np.asarray(unwrapped(angle))
    out = angle.copy()
    if known.any():
        out[known] = unwrapped(angle[known])
    return out
