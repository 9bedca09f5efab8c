"""Plain log files as various recorders would write them, and their log maps.

Each format has its own column names, units and words, so that whatever reads
them has to read the map.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from replay.demo import heron
from replay.demo.writing.log_columns import brake_words, iso, joints_in, tidy
from replay.demo.writing.long_log import LONG_MAP, write_long_csv
from replay.demo.writing.workbook_log import XLSX_MAP, write_xlsx
from replay.units import TIME, channel


@dataclass(frozen=True, slots=True)
class Format:
    """A way of writing a session: file ending, log map, writer."""

    name: str
    suffix: str
    map_name: str
    map_toml: str
    write: Callable[[pl.DataFrame, Path], None]


WIDE_CSV_MAP = """\
# Tarn Station's yard recorder: one row an instant, degrees and amperes.
[log]
layout = "wide"
joints = 7
numbering = "A"

[time]
column = "time_utc"
format = "iso8601"

[joint.angle]
column = "a{n}_deg"
unit = "deg"
[joint.rate]
column = "r{n}_deg_s"
unit = "deg/s"
[joint.commanded_rate]
column = "rc{n}_deg_s"
unit = "deg/s"
[joint.current]
column = "i{n}_a"
unit = "A"
[joint.temperature]
column = "t{n}_c"
unit = "degC"
[joint.brake_command]
column = "bc{n}"
words = { ENG = "engaged", REL = "released" }
[joint.brake_state]
column = "bs{n}"
words = { ENG = "engaged", REL = "released" }

[session.payload]
column = "payload_kg"
unit = "kg"
[session.base_end]
column = "base"
[session.phase]
column = "phase"
[session.person_on_tip]
column = "person"
words = { yes = "true", no = "false" }
"""


def write_wide_csv(frame: pl.DataFrame, path: Path) -> None:
    """Write one row an instant, ISO 8601 times, brake words."""
    f = tidy(frame)
    out = f.select(
        iso(f).alias("time_utc"),
        *joints_in(
            f,
            {
                "angle_deg": "a{n}_deg",
                "rate_deg_s": "r{n}_deg_s",
                "rate_cmd_deg_s": "rc{n}_deg_s",
                "current_a": "i{n}_a",
                "temperature_c": "t{n}_c",
            },
        ),
        *brake_words("bc{n}", "brake_engage_cmd", "ENG", "REL"),
        *brake_words("bs{n}", "brake_engaged", "ENG", "REL"),
        pl.col("payload_kg"),
        pl.col("base_end").alias("base"),
        pl.col("phase"),
        pl.when(pl.col("person_on_tip"))
        .then(pl.lit("yes"))
        .otherwise(pl.lit("no"))
        .alias("person"),
    )
    out.write_csv(path)


PARQUET_MAP = """\
# The arm's own computer: radians, milliamperes, kelvin, nanoseconds since 1970.
[log]
layout = "wide"
joints = 7
numbering = "A"

[time]
column = "stamp_ns"
format = "epoch-ns"

[joint.angle]
column = "joint{n}_angle"
unit = "rad"
[joint.rate]
column = "joint{n}_rate"
unit = "rad/s"
[joint.commanded_rate]
column = "joint{n}_rate_asked"
unit = "rad/s"
[joint.current]
column = "joint{n}_motor_current"
unit = "mA"
[joint.temperature]
column = "joint{n}_temperature"
unit = "K"
[joint.brake_command]
column = "joint{n}_brake_asked"
words = { true = "engaged", false = "released" }
[joint.brake_state]
column = "joint{n}_brake"
words = { true = "engaged", false = "released" }

[session.payload]
column = "payload"
unit = "t"
[session.base_end]
column = "base_end"
[session.phase]
column = "phase"
[session.person_on_tip]
column = "person_on_tip"
"""


def write_wide_parquet(frame: pl.DataFrame, path: Path) -> None:
    """Write one row an instant in SI-like units, as the arm's computer keeps them."""
    f = tidy(frame)
    radian = np.pi / 180.0
    columns: list[pl.Expr] = [pl.col(TIME).dt.epoch("ns").alias("stamp_ns")]
    for n, joint in enumerate(heron.NAMES, start=1):
        for quantity, name, factor, shift in (
            ("angle_deg", "angle", radian, 0.0),
            ("rate_deg_s", "rate", radian, 0.0),
            ("rate_cmd_deg_s", "rate_asked", radian, 0.0),
            ("current_a", "motor_current", 1000.0, 0.0),
            ("temperature_c", "temperature", 1.0, 273.15),
        ):
            value = pl.col(channel(joint, quantity)) * factor + shift
            columns.append(value.cast(pl.Float32).alias(f"joint{n}_{name}"))
        columns.append(pl.col(channel(joint, "brake_engage_cmd")).alias(f"joint{n}_brake_asked"))
        columns.append(pl.col(channel(joint, "brake_engaged")).alias(f"joint{n}_brake"))
    columns += [
        (pl.col("payload_kg") / 1000.0).alias("payload"),
        pl.col("base_end"),
        pl.col("phase"),
        pl.col("person_on_tip"),
    ]
    f.select(columns).write_parquet(path, compression="zstd", compression_level=12)


FORMATS: dict[str, Format] = {
    f.name: f
    for f in (
        Format("csv", ".csv", "wide-csv.map.toml", WIDE_CSV_MAP, write_wide_csv),
        Format("parquet", ".parquet", "arm-computer.map.toml", PARQUET_MAP, write_wide_parquet),
        Format("long", ".csv", "message-bus.map.toml", LONG_MAP, write_long_csv),
        Format("xlsx", ".xlsx", "office.map.toml", XLSX_MAP, write_xlsx),
    )
}
