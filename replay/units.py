"""Column names, units and types that every room agrees on.

A *stream* is one table of a session: a ``time`` column and channels that
share its instants. A channel that belongs to a joint is named
``<joint>.<quantity>`` (``J3.current_a``); a channel of the whole session is
named by its quantity alone (``payload_kg``). The unit is the last part of the
quantity's name, so that a file opened in another tool explains itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import polars as pl

TIME = "time"
"""Name of the time column: ``Datetime("ns", "UTC")``, strictly rising."""

TIME_DTYPE = pl.Datetime("ns", "UTC")

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def nanoseconds(value: datetime) -> int:
    """Return an instant in ns since 1970; one without a zone is taken as UTC."""
    aware = value if value.tzinfo else value.replace(tzinfo=UTC)
    return (aware - _EPOCH) // timedelta(microseconds=1) * 1000


@dataclass(frozen=True, slots=True)
class Quantity:
    """One thing that a log can hold.

    ``carry`` says how it is brought to other instants: ``"interpolate"``
    between neighbours, ``"hold"`` the last value, both only up to a limit
    of its own steps; ``"slow"`` between neighbours minutes apart.
    """

    name: str
    word: str
    unit: str
    dtype: type[pl.DataType]
    carry: str


JOINT_QUANTITIES: dict[str, Quantity] = {
    q.name: q
    for q in (
        Quantity("angle_deg", "angle", "deg", pl.Float64, "interpolate"),
        Quantity("angle_cmd_deg", "commanded angle", "deg", pl.Float64, "interpolate"),
        Quantity("motor_angle_deg", "motor angle", "deg", pl.Float64, "interpolate"),
        Quantity("rate_deg_s", "rate", "deg/s", pl.Float64, "interpolate"),
        Quantity("rate_cmd_deg_s", "commanded rate", "deg/s", pl.Float64, "hold"),
        Quantity("current_a", "motor current", "A", pl.Float64, "interpolate"),
        Quantity("current_target_a", "target current", "A", pl.Float64, "interpolate"),
        Quantity("torque_nm", "joint torque", "N m", pl.Float64, "interpolate"),
        Quantity("temperature_c", "temperature", "degC", pl.Float64, "slow"),
        Quantity("brake_engage_cmd", "brake command", "", pl.Boolean, "hold"),
        Quantity("brake_engaged", "brake state", "", pl.Boolean, "hold"),
    )
}
"""Per joint. A brake channel is True for engaged, False for released and null
where the recorder said neither."""

SESSION_QUANTITIES: dict[str, Quantity] = {
    q.name: q
    for q in (
        Quantity("payload_kg", "payload mass", "kg", pl.Float64, "hold"),
        Quantity("base_end", "base end", "", pl.String, "hold"),
        Quantity("phase", "phase", "", pl.String, "hold"),
        Quantity("person_on_tip", "person on the tip", "", pl.Boolean, "hold"),
    )
}
"""Per session or over time. ``base_end`` is ``"A"`` or ``"B"``."""


def channel(joint: str, quantity: str) -> str:
    """Return the column name of a joint's quantity in a stream."""
    return f"{joint}.{quantity}"


def split_channel(name: str) -> tuple[str | None, str]:
    """Return ``(joint, quantity)``; joint is None for a session's channel."""
    joint, dot, quantity = name.rpartition(".")
    return (joint, quantity) if dot else (None, name)


JOINT_TABLE: dict[str, pl.DataType] = {
    "time": TIME_DTYPE,
    "t_s": pl.Float64(),  # seconds since the session's first instant
    "angle_deg": pl.Float64(),  # unwrapped
    "rate_deg_s": pl.Float64(),  # logged, else from angles
    "rate_se_deg_s": pl.Float64(),  # standard error; null for a logged rate
    "rate_cmd_deg_s": pl.Float64(),
    "accel_deg_s2": pl.Float64(),
    "current_a": pl.Float64(),
    "temperature_c": pl.Float64(),
    "brake_engaged": pl.Boolean(),
    "brake_engage_cmd": pl.Boolean(),
    "payload_kg": pl.Float64(),
    "person_on_tip": pl.Boolean(),
    "base_end": pl.String(),
    "load_nm": pl.Float64(),  # rigid-body torque at the joint's output
    "motion": pl.String(),  # held | holding | moving
    "stage": pl.String(),  # speeding | steady | slowing while moving, else null
    "direction": pl.Int8(),  # -1, 0, 1
    "segment": pl.Int32(),  # number of the segment, from 0
}
"""Columns of the table that `replay.signals.joints.joint_table` returns: one
joint of one session, on the instants of its current samples. A column whose
quantity was not logged is there and null."""
