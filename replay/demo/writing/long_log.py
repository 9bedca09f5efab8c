"""A message bus's log of the invented arm: one value a row."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from replay.demo import heron
from replay.demo.writing.log_columns import tidy
from replay.errors import UsageError
from replay.units import TIME, channel

LONG_MAP = """\
# The yard's message bus: one value a row. Joints count from zero here, and from
# whichever end is the base: with the base at B, number 0 is the joint nearest B.
[log]
layout = "long"
joints = ["J1", "J2", "J3", "J4", "J5", "J6", "J7"]
first_number = 0
numbering = "base"

[long]
time = "when"
channel = "what"
value = "value"

[time]
column = "when"
format = "epoch-ms"

[joint.angle]
column = "joint/{n}/pos"
unit = "deg"
[joint.commanded_rate]
column = "joint/{n}/rate_ask"
unit = "deg/s"
[joint.current]
column = "joint/{n}/amps"
unit = "A"
[joint.temperature]
column = "joint/{n}/degC"
unit = "degC"
[joint.brake_state]
column = "joint/{n}/brake"
words = { on = "engaged", off = "released" }

[session.payload]
column = "payload"
unit = "kg"
[session.base_end]
column = "base"
[session.phase]
column = "phase"
"""


_SIGNS_FROM_B = (1, -1, 1, 1, 1, -1, 1)
"""Senses of turning seen from end B: the yaw axes point the other way."""


def write_long_csv(frame: pl.DataFrame, path: Path) -> None:
    """Write one value a row, joints counted from the base; slow channels on change.

    Raises UsageError when the base changes within the session.
    """
    f = tidy(frame)
    stamp = f[TIME].dt.epoch("ms").alias("when")
    parts: list[pl.DataFrame] = []

    def add(name: str, values: pl.Series, *, on_change: bool) -> None:
        part = pl.DataFrame({"when": stamp, "what": name, "value": values.cast(pl.String)})
        part = part.filter(pl.col("value").is_not_null())
        if on_change:
            part = part.filter(pl.col("value").ne_missing(pl.col("value").shift(1)))
        parts.append(part)

    ends = f["base_end"].unique().to_list()
    if len(ends) != 1:
        raise UsageError("joints counted from the base need a base that stays")
    from_b = ends == ["B"]
    for n in range(heron.JOINTS):
        joint = heron.NAMES[heron.JOINTS - 1 - n if from_b else n]
        sign = float(_SIGNS_FROM_B[n]) if from_b else 1.0
        for quantity, name, on_change, signed in (
            ("angle_deg", "pos", False, True),
            ("rate_cmd_deg_s", "rate_ask", True, True),
            ("current_a", "amps", False, True),
            ("temperature_c", "degC", True, False),
        ):
            # Adding zero keeps a minus off the noughts.
            values = f[channel(joint, quantity)] * (sign if signed else 1.0) + 0.0
            add(f"joint/{n}/{name}", values, on_change=on_change)
        brake = f[channel(joint, "brake_engaged")].replace_strict(
            [True, False], ["on", "off"], return_dtype=pl.String
        )
        add(f"joint/{n}/brake", brake, on_change=True)
    for name, column in (("payload", "payload_kg"), ("base", "base_end"), ("phase", "phase")):
        add(name, f[column], on_change=True)
    pl.concat(parts).sort("when", maintain_order=True).write_csv(path)
