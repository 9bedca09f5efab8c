"""Which column says which of several runs a row belongs to."""

from __future__ import annotations

import polars as pl

from replay.logs.proposing.guesses import Guess
from replay.logs.proposing.name_pieces import pieces
from replay.logs.proposing.vocabulary import RUN_WORDS

MOST_PROPOSED, FEWEST_ROWS = 200, 20
"""A column of more runs than this is not proposed, though a map may name one of more."""
SWITCHES = frozenset(["0", "1", "0.0", "1.0", "true", "false", "on", "off", ""])
"""Words of a drive that runs or does not."""


def run_column(sample: pl.DataFrame, time: str) -> Guess | None:
    """Return the column named for runs whose words each stand for many rows, if there is one.

    Where each word stands in one piece it is sure; where they come again, it is asked.
    """
    for name in sample.columns:
        if name == time or not {p.word for p in pieces(name)} & RUN_WORDS:
            continue
        words = sample[name].cast(pl.String).str.strip_chars().str.to_lowercase()
        count = words.drop_nulls().n_unique()
        if words.null_count() or not 2 <= count <= min(MOST_PROPOSED, len(words) // FEWEST_ROWS):
            continue
        if set(words.unique()) <= SWITCHES:
            continue
        whole = int((words != words.shift(1)).sum()) + 1 == count
        why = "each of its words stands in one piece: runs" if whole else "its words come again"
        return Guess(name, 0.8 if whole else 0.5, why)
    return None
