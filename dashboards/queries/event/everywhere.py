"""What another limit would have flagged in every session of the archive.

Every session is checked anew at the limit in question, which takes seconds each:
a job does it, and what it found is kept while the program runs. Nothing is stored.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

import polars as pl

from dashboards.jobs import Step
from dashboards.queries.event.events import Event, baseline_of
from dashboards.queries.event.rebuilt import MOST_ROWS, SCHEMA, met, recheck
from replay.archive import Archive
from replay.wording import counted

Key = tuple[str, str, float]
_kept: dict[Key, pl.DataFrame] = {}

COLUMNS = {"session": pl.String, **SCHEMA, "which": pl.String}
"""Columns of what is kept: a flag a row; ``which`` is ``both``, ``here`` or ``learned``."""


def count_everywhere(archive: Archive, event: Event, rate: float, step: Step) -> str:
    """Check every session at ``rate`` and keep what it shows beside what is stored."""
    baseline = baseline_of(archive, event)
    if baseline is None:
        return "there is no baseline to check by"
    catalogue = archive.sessions()
    rows = dict(catalogue.select("session", "rows").iter_rows())
    names = [name for name, count in rows.items() if count <= MOST_ROWS]
    version = baseline.version
    key = (str(archive.root), version, rate)
    kept = compared(
        names,
        lambda name: recheck(archive, name, version, rate),
        lambda name: recheck(archive, name, version, baseline.asked),
        step,
    )
    _kept[key] = kept
    left = len(rows) - len(names)
    return told(kept, rate, len(names), left)


def compared(
    names: Iterable[str],
    here: Callable[[str], pl.DataFrame],
    learned: Callable[[str], pl.DataFrame],
    step: Step,
) -> pl.DataFrame:
    """Return the flags of sessions at one limit and as learned, told apart."""
    parts = [pl.DataFrame(schema=COLUMNS)]
    for name in step.wrap(list(names), what="session"):
        a, b = here(name), learned(name)
        both = pl.concat(
            [
                a.with_columns(which=met(a, b, "both", "here")),
                b.with_columns(which=met(b, a, "both", "learned")).filter(
                    pl.col("which") == "learned"
                ),
            ]
        )
        parts.append(both.select(pl.lit(name).alias("session"), pl.all()))
    return pl.concat(parts)


def found_everywhere(archive: Archive, event: Event, rate: float) -> pl.DataFrame | None:
    """Return what the last count at this limit found; None before there was one."""
    baseline = baseline_of(archive, event)
    if baseline is None:
        return None
    return _kept.get((str(archive.root), baseline.version, rate))


def told(kept: pl.DataFrame, rate: float, sessions: int | None = None, left: int = 0) -> str:
    """Say what a limit changes over all sessions.

    >>> told(pl.DataFrame(schema=COLUMNS), 3.0, 2)
    '2 sessions at 3 false flags per 100 joint-hours: 0 flags, 0 of them new; 0 gone'
    """
    of = {w: kept.filter(pl.col("which") == w).height for w in ("both", "here", "learned")}
    count = "" if sessions is None else f"{counted(sessions, 'session')} at "
    flags = counted(of["both"] + of["here"], "flag")
    text = (
        f"{count}{rate:g} false flags per 100 joint-hours: {flags}, "
        f"{of['here']} of them new; {of['learned']} gone"
    )
    return text + (f"; {left} too long to check here" if left else "")
