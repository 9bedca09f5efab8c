"""A table as CSV that a spreadsheet shows and does not run.

A spreadsheet takes a cell that begins with ``=``, ``+``, ``-``, ``@``, a tab or a line's end
for a formula, whoever wrote it; names of joints, words of logs and people's notes come from
outside. Such a cell of text, or a column's name, gets an apostrophe before it, as in OWASP's
"CSV Injection" (owasp.org/www-community/attacks/CSV_Injection); so do its full-width likes.
Numbers stay as they are, also where a column of text says nothing but numbers.
"""

from __future__ import annotations

import re

import polars as pl
import polars.selectors as cs

_RUN = "[=+\\-@\t\r\n\uff1d\uff0b\uff0d\uff20]"
_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_RUNS = rf"^{_RUN}"
_NUMBERS = rf"^{_NUMBER}(?:, ?{_NUMBER})*$"


def csv_bytes(frame: pl.DataFrame, *, datetime_format: str | None = None) -> bytes:
    r"""Return a table as CSV in UTF-8; nothing in it is run by who opens it.

    Parameters
    ----------
    frame : DataFrame
        Without lists; a CSV cell holds none.
    datetime_format : str, optional
        How instants are written.

    Examples
    --------
    >>> csv_bytes(pl.DataFrame({"note": ["=1+1", "fine"], "angle_deg": [-2.5, 3.0]}))
    b"note,angle_deg\n'=1+1,-2.5\nfine,3.0\n"
    """
    shown = shown_only(frame.lazy()).collect()
    return shown.write_csv(datetime_format=datetime_format).encode()


def shown_only(frame: pl.LazyFrame) -> pl.LazyFrame:
    """Return a table whose cells of text and names of columns are no formulas."""
    schema = frame.collect_schema()
    texts = [n for n, k in schema.items() if isinstance(k, pl.String | pl.Categorical | pl.Enum)]
    made = frame.with_columns(_shown(cs.by_name(name).cast(pl.String)) for name in texts)
    return made.rename({name: f"'{name}" for name in schema if re.match(_RUNS, name)})


def _shown(cell: pl.Expr) -> pl.Expr:
    runs = cell.str.contains(_RUNS) & ~cell.str.contains(_NUMBERS)
    return pl.when(runs).then(pl.lit("'") + cell).otherwise(cell).name.keep()
