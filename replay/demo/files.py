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
from replay.demo.spreadsheet import write_sheet
from replay.errors import UsageError
from replay.units import TIME, channel


@dataclass(frozen=True, slots=True)
class Format:
    """A way of writing a session: file ending, log map, writer."""

    name: str
    suffix: str
    map_name: str
    map_toml: str
    write: Callable[[pl.DataFrame, Path], None]


def _joints(frame: pl.DataFrame, names: dict[str, str]) -> list[pl.Expr]:
    """Rename joint channels; ``{n}`` in a name is the joint's number."""
    return [
        pl.col(channel(joint, quantity)).alias(name.format(n=n))
        for n, joint in enumerate(heron.NAMES, start=1)
        for quantity, name in names.items()
        if channel(joint, quantity) in frame.columns
    ]


def _brake_words(name: str, quantity: str, on: str, off: str) -> list[pl.Expr]:
    return [
        pl.when(pl.col(channel(joint, quantity)))
        .then(pl.lit(on))
        .when(~pl.col(channel(joint, quantity)))
        .then(pl.lit(off))
        .otherwise(pl.lit("CHK"))  # a word of the recorder's that no map knows
        .alias(name.format(n=n))
        for n, joint in enumerate(heron.NAMES, start=1)
    ]


def _iso(frame: pl.DataFrame) -> pl.Series:
    return frame[TIME].dt.to_string("%Y-%m-%dT%H:%M:%S%.3fZ")


def _tidy(frame: pl.DataFrame) -> pl.DataFrame:
    """Round to the recorder's own steps, so that files stay small."""
    places = {"angle_deg": 3, "rate_deg_s": 3, "rate_cmd_deg_s": 3, "current_a": 2}
    return frame.with_columns(
        pl.col(c).round(places.get(c.rpartition(".")[2], 1))
        for c, dtype in frame.schema.items()
        if dtype == pl.Float64
    )


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
    f = _tidy(frame)
    out = f.select(
        _iso(f).alias("time_utc"),
        *_joints(
            f,
            {
                "angle_deg": "a{n}_deg",
                "rate_deg_s": "r{n}_deg_s",
                "rate_cmd_deg_s": "rc{n}_deg_s",
                "current_a": "i{n}_a",
                "temperature_c": "t{n}_c",
            },
        ),
        *_brake_words("bc{n}", "brake_engage_cmd", "ENG", "REL"),
        *_brake_words("bs{n}", "brake_engaged", "ENG", "REL"),
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
    f = _tidy(frame)
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
    f = _tidy(frame)
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
    f = _tidy(frame).with_columns(
        (pl.col(channel(j, "temperature_c")) * 1.8 + 32.0).round(1) for j in heron.NAMES
    )
    out = f.select(
        _iso(f).alias("Time (UTC)"),
        *_joints(
            f,
            {
                "angle_deg": "Joint {n} Angle (deg)",
                "rate_deg_s": "Joint {n} Rate (deg/s)",
                "current_a": "Joint {n} Current (A)",
                "temperature_c": "Joint {n} Temp (degF)",
            },
        ),
        *_brake_words("Joint {n} Brake", "brake_engaged", "ENGAGED", "RELEASED"),
        pl.col("payload_kg").alias("Payload (kg)"),
        pl.col("base_end").alias("Base End"),
        pl.col("phase").alias("Phase"),
    )
    write_sheet(out, path)


FORMATS: dict[str, Format] = {
    f.name: f
    for f in (
        Format("csv", ".csv", "wide-csv.map.toml", WIDE_CSV_MAP, write_wide_csv),
        Format("parquet", ".parquet", "arm-computer.map.toml", PARQUET_MAP, write_wide_parquet),
        Format("long", ".csv", "message-bus.map.toml", LONG_MAP, write_long_csv),
        Format("xlsx", ".xlsx", "office.map.toml", XLSX_MAP, write_xlsx),
    )
}
