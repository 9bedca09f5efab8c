"""Whether each row of a log speaks of one joint, and which columns say of which."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from replay.logs.proposing.groups import of_one_joint
from replay.logs.proposing.guesses import Guess
from replay.logs.proposing.name_pieces import pieces
from replay.logs.proposing.names import read_name
from replay.logs.proposing.vocabulary import JOINT_COLUMN_WORDS, JOINT_KEY_WORDS
from replay.logs.readers.joint_rows import MOST_JOINTS
from replay.logs.readers.raw import RawLog

_SHARED = 0.75
"""At most so many different instants a row has a log whose rows share them."""
_CYCLES = 0.9
_UNIQUE = 0.98
_SESSION = ("payload", "base_end", "phase", "person_on_tip")


def joint_column(raw: RawLog, head: pl.DataFrame, time: str) -> Guess | None:
    """Return the column that tells joints apart; None where rows speak of all joints.

    Either the joints' rows share their instants, and the column says another word in each
    of them, or its words take turns. The other columns must not number joints themselves.
    """
    if not of_one_joint([read_name(c) for c in raw.columns]):
        return None
    instants = head[time].n_unique()
    found: list[Guess] = []
    for name in raw.columns:
        column = head[name].cast(pl.String)
        count = column.drop_nulls().n_unique()
        if name == time or not 2 <= count <= MOST_JOINTS or column.null_count():
            continue
        words = {p.word for p in pieces(name) if not p.word.isdigit()}
        named = words <= JOINT_COLUMN_WORDS and bool(words - JOINT_KEY_WORDS)
        worded = column.cast(pl.Float64, strict=False).null_count() > 0
        if not named and (not worded or read_name(name).quantity is not None):
            continue
        pairs = head.select(time, column).n_unique()
        if instants <= _SHARED * head.height and pairs >= _UNIQUE * head.height:
            why = "rows of one instant differ in it: each speaks of one joint"
        elif _takes_turns(column, count):
            why = "its words take turns: each row speaks of one joint"
        else:
            continue
        found.append(Guess(name, 0.9 if named else 0.5, why))
    return max(found, key=lambda g: g.confidence) if found else None


def _takes_turns(column: pl.Series, count: int) -> bool:
    """Tell whether a column says each of its words once before it says one again."""
    same = (column == column.shift(count)).drop_nulls()
    still = (column == column.shift(1)).drop_nulls()
    few = still.sum() <= (1 - _CYCLES) * len(still)
    return few and len(same) > count and same.sum() >= _CYCLES * len(same)


def plain_columns(raw: RawLog, head: pl.DataFrame, time: Sequence[str | None]) -> frozenset[str]:
    """Return the columns that speak of no joint: times, and what holds for the session."""
    return frozenset(
        c
        for c in raw.columns
        if c in time or (read_name(c).quantity in _SESSION and head[c].null_count() < head.height)
    )


def channel_parts(head: pl.DataFrame, time: str, channel: str, value: str) -> list[str]:
    """Return the columns that only together name a long table's channel.

    One alone where its words do not come twice at an instant.
    """
    if head.select(time, channel).n_unique() > _UNIQUE * head.height:
        return [channel]
    for name in head.columns:
        if name in (time, channel, value):
            continue
        column = head[name].cast(pl.String)
        few = 2 <= column.drop_nulls().n_unique() <= MOST_JOINTS and not column.null_count()
        if few and head.select(time, channel, name).n_unique() > _UNIQUE * head.height:
            return [c for c in head.columns if c in (channel, name)]
    return [channel]
