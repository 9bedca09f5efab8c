"""How commands speak: JSON and tables on stdout, progress on stderr."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, TypeVar

import orjson
import polars as pl
from tqdm import tqdm

from replay.cli.plain import FORMER_KEYS, iso, plain, with_former_keys
from replay.cli.tables import print_table, write_tables
from replay.wording import counted

T = TypeVar("T")

__all__ = [
    "FORMER_KEYS", "Bar", "each_once", "iso", "offer", "plain", "print_json",
    "print_table", "progress", "say", "with_former_keys",
]  # fmt: skip


def say(text: str) -> None:
    """Print a message for the person at the terminal, on standard error."""
    print(text, file=sys.stderr, flush=True)


def progress(items: Iterable[T], *, total: int | None = None, what: str = "") -> Iterable[T]:
    """Wrap ``items`` in a progress bar on standard error."""
    bar: Iterable[T] = tqdm(
        items, total=total, desc=what, file=sys.stderr, disable=None, leave=True
    )
    return bar


class Bar:
    """A progress bar on standard error, told its steps; it ends at its end.

    ``show(what, done, of)`` is the engine's ``progress``. Work that comes to a
    good end leaves a full bar; work that fails leaves it where it stood.
    """

    def __enter__(self) -> Bar:
        self.bar = tqdm(file=sys.stderr, disable=None, leave=True)
        return self

    def __exit__(self, kind: object, *_: object) -> None:
        if kind is None and self.bar.total:
            self.bar.n = self.bar.total
            self.bar.refresh()
        self.bar.close()

    def show(self, what: str, done: int, of: int) -> None:
        """Show one step."""
        self.bar.set_description(what, refresh=False)
        self.bar.total, self.bar.n = of, done
        self.bar.refresh()


def each_once(notes: Iterable[tuple[str, str]], what: str = "session") -> list[str]:
    """Return notes, given as (of whom, text), each text said once with its count.

    >>> each_once([("s1", "no brakes"), ("s2", "no brakes"), ("s2", "late")])
    ['no brakes (2 sessions: s1, s2)', 's2: late']
    """
    whom: dict[str, list[str]] = {}
    for name, text in notes:
        of = whom.setdefault(text, [])
        if name not in of:
            of.append(name)
    return [_said(text, of, what) for text, of in whom.items()]


MOST_NAMES = 3
"""So many of those that share a note are named."""


def _said(text: str, of: Sequence[str], what: str) -> str:
    if len(of) == 1:
        return f"{of[0]}: {text}"
    more = f" and {len(of) - MOST_NAMES} more" if len(of) > MOST_NAMES else ""
    return f"{text} ({len(of)} {what}s: {', '.join(of[:MOST_NAMES])}{more})"


def offer(tables: Mapping[str, pl.DataFrame], out: str | None) -> None:
    """Write a command's tables where ``--out`` says, and say so."""
    if out is None:
        return
    written = write_tables(tables, out)
    rows = sum(frame.height for frame in tables.values())
    say(f"{counted(rows, 'row')} written to {', '.join(str(p) for p in written)}")


def print_json(document: Any) -> None:
    """Print one JSON document; dataclasses and times are spelled out."""
    sys.stdout.write(orjson.dumps(plain(document), option=orjson.OPT_INDENT_2).decode() + "\n")
