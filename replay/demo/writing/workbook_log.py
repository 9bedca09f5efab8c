"""A workbook of the invented arm, as an office program would save it."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from replay.demo import heron
from replay.demo.writing.log_columns import brake_words, iso, joints_in, tidy
from replay.demo.writing.spreadsheet import write_sheet
from replay.units import channel

XLSX_MAP = """\
# The office's export: a sheet with spoken headings, no commanded rates.
[log]
layout = "wide"
joints = 7
numbering = "A"

[time]
column = "Time (UTC)"
format = "iso8601"

[joint.angle]
column = "Joint {n} Angle (deg)"
unit = "deg"
[joint.rate]
column = "Joint {n} Rate (deg/s)"
unit = "deg/s"
[joint.current]
column = "Joint {n} Current (A)"
unit = "A"
[joint.temperature]
column = "Joint {n} Temp (degF)"
unit = "degF"
[joint.brake_state]
column = "Joint {n} Brake"
words = { ENGAGED = "engaged", RELEASED = "released" }

[session.payload]
column = "Payload (kg)"
unit = "kg"
[session.base_end]
column = "Base End"
[session.phase]
column = "Phase"
"""


def write_xlsx(frame: pl.DataFrame, path: Path) -> None:
    """Write a sheet with spoken headings."""
    f = tidy(frame).with_columns(
        (pl.col(channel(j, "temperature_c")) * 1.8 + 32.0).round(1) for j in heron.NAMES
    )
    out = f.select(
        iso(f).alias("Time (UTC)"),
        *joints_in(
            f,
            {
                "angle_deg": "Joint {n} Angle (deg)",
                "rate_deg_s": "Joint {n} Rate (deg/s)",
                "current_a": "Joint {n} Current (A)",
                "temperature_c": "Joint {n} Temp (degF)",
            },
        ),
        *brake_words("Joint {n} Brake", "brake_engaged", "ENGAGED", "RELEASED"),
        pl.col("payload_kg").alias("Payload (kg)"),
        pl.col("base_end").alias("Base End"),
        pl.col("phase").alias("Phase"),
    )
    write_sheet(out, path)
