"""Structs, lists and arrays in a column become columns of their own."""

from __future__ import annotations

import polars as pl

_DEEPEST = 8


def flat(frame: pl.LazyFrame) -> pl.LazyFrame:
    """Open nested columns, level by level, into ``outer.inner`` and ``outer.0``, ``outer.1``."""
    for _ in range(_DEEPEST):
        schema = frame.collect_schema()
        if not any(t.is_nested() for t in schema.values()):
            return frame
        exprs: list[pl.Expr] = []
        for name, dtype in schema.items():
            if isinstance(dtype, pl.Struct):
                exprs += [
                    pl.col(name).struct.field(f.name).alias(f"{name}.{f.name}")
                    for f in dtype.fields
                ]
            elif isinstance(dtype, pl.List | pl.Array):
                column = pl.col(name)
                if isinstance(dtype, pl.Array):
                    column = column.arr.to_list()
                width = int(frame.select(column.list.len().max()).collect().item() or 0)
                exprs += [
                    column.list.get(k, null_on_oob=True).alias(f"{name}.{k}") for k in range(width)
                ]
            else:
                exprs.append(pl.col(name))
        frame = frame.select(exprs)
    return frame
