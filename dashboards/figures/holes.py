"""Where a line is broken: what was never recorded is not drawn through."""

from __future__ import annotations

import polars as pl

HOLE_STEPS = 4
"""A sample so many usual steps after the one before leaves a hole."""

OFTEN = 0.9
"""A channel that is written when it changes has no one step; nine steps of ten are usual."""


def with_holes(rows: pl.DataFrame, share: float = 0.5) -> pl.DataFrame:
    """Return rows with an empty one after each sample that the next follows late.

    A line is drawn from sample to sample: it would go through what was never recorded.
    Usual is the step that a ``share`` of all steps keep within.

    >>> times = pl.Series("time", [0, 1, 2, 30, 31, 32]).cast(pl.Datetime("ms", "UTC"))
    >>> with_holes(pl.DataFrame({"time": times, "a": [1.0] * 6}))["a"].to_list()
    [1.0, 1.0, 1.0, None, 1.0, 1.0, 1.0]
    """
    if rows.height < 3:
        return rows
    step = rows["time"].diff()
    usual = step.drop_nulls().sort()[int(share * (step.len() - 2))]
    late = rows.filter(pl.col("time").diff().shift(-1) > HOLE_STEPS * pl.lit(usual))
    if not late.height:
        return rows
    empty = late.select("time").with_columns(pl.col("time") + pl.lit(usual))
    both = pl.concat([rows, empty.cast({"time": rows.schema["time"]})], how="diagonal")
    return both.sort("time")


def of_channel(rows: pl.DataFrame, name: str) -> pl.DataFrame:
    """Return a channel's own samples, with holes where one is late by its own step.

    A recorder that writes a temperature at every third row has lost none between them.
    """
    return with_holes(rows.select("time", name).drop_nulls(name), OFTEN)
