"""Tables of a report: heads, rows of words, and a note under them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from replay.wording import number


@dataclass(frozen=True, slots=True)
class Table:
    """What a template prints; ``empty`` is said where there are no rows."""

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""
    empty: str = "none"


Column = tuple[str, str | Callable[[Mapping[str, Any]], Any]]
"""A head, and the key of a row or a function of it."""


def table(
    rows: Iterable[Mapping[str, Any]],
    columns: Sequence[Column],
    *,
    note: str = "",
    empty: str = "none",
) -> Table:
    """Return rows as words: numbers with three digits, nothing as a dash."""
    made = [
        tuple(number(take(row) if callable(take) else row.get(take)) for _, take in columns)
        for row in rows
    ]
    return Table(tuple(head for head, _ in columns), tuple(made), note, empty)
