"""Columns that several of the invented recorders write."""

from __future__ import annotations

import polars as pl

from replay.demo import heron
from replay.units import TIME, channel


def joints_in(frame: pl.DataFrame, names: dict[str, str]) -> list[pl.Expr]:
    """Rename joint channels; ``{n}`` in a name is the joint's number."""
    return [
        pl.col(channel(joint, quantity)).alias(name.format(n=n))
        for n, joint in enumerate(heron.NAMES, start=1)
        for quantity, name in names.items()
        if channel(joint, quantity) in frame.columns
    ]


def brake_words(name: str, quantity: str, on: str, off: str) -> list[pl.Expr]:
    """Return a column of words for each joint's brake: ``on`` and ``off``."""
    return [
        pl.when(pl.col(channel(joint, quantity)))
        .then(pl.lit(on))
        .when(~pl.col(channel(joint, quantity)))
        .then(pl.lit(off))
        .otherwise(pl.lit("CHK"))  # a word of the recorder's that no map knows
        .alias(name.format(n=n))
        for n, joint in enumerate(heron.NAMES, start=1)
    ]


def iso(frame: pl.DataFrame) -> pl.Series:
    """Return the instants as ISO 8601 text with milliseconds."""
    return frame[TIME].dt.to_string("%Y-%m-%dT%H:%M:%S%.3fZ")


def tidy(frame: pl.DataFrame) -> pl.DataFrame:
    """Round to the recorder's own steps, so that files stay small."""
    places = {"angle_deg": 3, "rate_deg_s": 3, "rate_cmd_deg_s": 3, "current_a": 2}
    return frame.with_columns(
        pl.col(c).round(places.get(c.rpartition(".")[2], 1))
        for c, dtype in frame.schema.items()
        if dtype == pl.Float64
    )
