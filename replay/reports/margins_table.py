"""The table of a session's torque margins, and what its figures are margins of."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from replay.reports.tables import Table, table
from replay.wording import NONE, number

HUGE_MARGIN = 1000.0
"""A margin beyond this is told as such: hardly anything pulls at the joint."""

WITHHELD = "withheld"
"""What stands for the margin of a brake that was seen to fail."""

OF_TORQUE = (
    "Margin is available over required torque, less one: 0 just suffices, 1 is 100 %. "
    "Required torque has the rule's factors in it. A motor's is a margin of torque at the joint's "
    "output in this session alone: what the current limit gives, over the highest friction of its "
    "steady motion at any rate, its hardest acceleration and its gravity. It is another figure "
    "than wear's “margin left”, which is of motor current with friction at the unit's usual rate."
)
OF_CURRENT = (
    "Margin left is a margin of motor current, in %: the current limit over what friction at the "
    "unit's usual rate in this session and the hardest accelerations and loads of the unit's "
    "reference take, by the default rule, less one. It is another figure than a motor's margin of "
    "torque above, which takes this session's highest friction at any rate."
)


def margins_table(margins: pl.DataFrame) -> Table:
    """Return torque margins; 0 just suffices, 1 is a margin of 100 %."""
    return table(
        margins.iter_rows(named=True),
        [
            ("joint", "joint"),
            ("unit", "serial"),
            ("what", "what"),
            ("available, Nm", _available),
            ("required, Nm", "required_nm"),
            ("margin of torque", _margin),
            ("conditions", _conditions),
            ("note", "note"),
        ],
        note=OF_TORQUE,
        empty="not computed: see the last section",
    )


def _available(row: Mapping[str, Any]) -> str:
    """Return the torque; what a brake has is no more than its rating."""
    said = number(row["available_nm"])
    return f"{said} rated" if row["what"] == "brake" else said


def _margin(row: Mapping[str, Any]) -> str:
    value = row["margin"]
    if value is None:
        return WITHHELD
    return f"over {HUGE_MARGIN:,.0f}" if value > HUGE_MARGIN else f"{value:.2f}"


def _conditions(row: Mapping[str, Any]) -> str:
    low, high = row["temperature_low_c"], row["temperature_high_c"]
    said = [] if low is None else [_degrees(low, high)]
    said += [] if row["payload_kg"] is None else [f"{row['payload_kg']:g} kg"]
    said += [] if row["base_end"] is None else [f"base end {row['base_end']}"]
    return ", ".join(said) or NONE


def _degrees(low: float, high: float) -> str:
    first, last = f"{low:.0f}", f"{high:.0f}"
    return f"{first} °C" if first == last else f"{first} to {last} °C"
