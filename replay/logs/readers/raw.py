"""What every reader hands over: raw columns, and the rows it had to set aside."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl


@dataclass(frozen=True, slots=True)
class SetAside:
    """Rows that never reached the columns, with the reason."""

    kind: str
    detail: str
    rows: tuple[int, ...] = ()
    """Data rows from 1, the first hundred of them."""
    count: int = 1


@dataclass(frozen=True, slots=True)
class RawLog:
    """A log whose layout is known and whose rows are yet to be read.

    ``scan(needed, as_text)`` gives the needed columns, in the order of the
    rows; columns in ``as_text`` come as text even where they look numeric.
    """

    path: Path
    kind: str
    columns: tuple[str, ...]
    sample: pl.DataFrame
    """Some rows, the first ones in their order; text logs give text."""
    scan: Callable[[Sequence[str], frozenset[str]], pl.LazyFrame]
    head: int = 0
    """How many of the sample's rows are the log's first rows, in order."""
    run: str = ""
    """Which of several runs in one file this is."""
    joint_rows: bool = False
    """Each row spoke of one joint: rows of one instant belong together."""
    headless: bool = False
    """No line names the columns: they are called by their place."""
    units: Mapping[str, str] = field(default_factory=dict)
    decimal_comma: bool = False
    set_aside: tuple[SetAside, ...] = ()
    removed: tuple[int, ...] = ()
    """Data rows that are not in `scan` any more, ascending."""
    last_row_suspect: bool = False
    """The file does not end in a line end: its last row may be cut."""
    last_row_full: bool = False
    """The last row has all its cells, so that at most the last of them is cut."""
    tell_tale: str | None = None
    """Last column of a text table: a null in it may be a short row."""
    lines: Callable[[], int] | None = None
    """Counts the lines that hold rows, where quotes may have joined some of them."""
    scrub: Callable[[Path], RawLog] | None = None
    """Read again line by line, setting rows of the wrong width aside; what is left of them is
    written into the folder that it is given, for the one it was opened with may be gone."""
