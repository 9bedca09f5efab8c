"""A session condensed to filtered samples, about five a second, joint by joint.

One filter for every term of a joint's balance: h = box * box * box. Current
passes it; so does acceleration, for the second difference of box means over the
box's own length *is* the acceleration through h:
a = [q(t+m) - 2 q(t) + q(t-m)] / (m dt)^2, and its noise sqrt(6/m) sd / (m dt)^2.
Other filters for other terms would give peaks at every abrupt stop.

A session is read in pieces of an hour, so that memory does not grow with the log.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay.models.residuals import Codes, Floats
from replay.records import Session
from replay.signals.channels import Channels

SUB_S = 0.05
"""Rows are first averaged to about this; it is a fifth of the box."""


@dataclass(frozen=True, slots=True)
class Piece:
    """Part of a session as it was logged, with 2 s more at either side."""

    record: Session
    channels: Channels
    start_ns: int
    end_ns: int


@dataclass(frozen=True, slots=True)
class JointBlocks:
    """One joint through the filter; (n,) each, NaN or -1 where unknown.

    ``lead_deg`` is the integral of the commanded rate less the angle since the drive
    was enabled: by the brake's word, and ``lead_asked_deg`` by its command. It is taken
    anew to the row, for a drive's integral starts from nothing there. ``free`` is 1 where word
    and command say released over the filter's whole support.
    """

    current_a: Floats
    angle_deg: Floats
    rate_deg_s: Floats
    accel_deg_s2: Floats
    rate_cmd_deg_s: Floats
    accel_cmd_deg_s2: Floats
    lead_deg: Floats
    lead_asked_deg: Floats
    temperature_c: Floats
    state: Codes
    free: Codes
    engaged: Codes
    engage_cmd: Codes


@dataclass(frozen=True, slots=True)
class Fineness:
    """What a joint's recorder resolves: noise and least step of angle and current."""

    angle_noise_deg: float
    angle_resolution_deg: float
    current_noise_a: float
    current_resolution_a: float
    accel_noise_deg_s2: float
    rate_noise_deg_s: float


@dataclass(frozen=True, slots=True)
class SessionBlocks:
    """A condensed session. ``base_end`` has codes into `replay.signals.channels.ENDS`."""

    record: Session
    time_ns: NDArray[np.int64]
    t_s: Floats
    step_s: float
    support_s: float
    joints: dict[str, JointBlocks]
    fineness: dict[str, Fineness]
    payload_kg: Floats
    base_end: Codes
    person_on_tip: Codes
    """1 where the log says that a person is on the tip."""

    def __len__(self) -> int:
        return len(self.t_s)


@dataclass(frozen=True, slots=True)
class Grid:
    """Even instants through a session: rows of ``fine_ns``, ``each`` of them a sub-block."""

    start_ns: int
    end_ns: int
    fine_ns: float
    each: int
    width: int
    every: int

    @property
    def sub_s(self) -> float:
        """Length of a sub-block, s."""
        return self.fine_ns * self.each / 1e9
