"""What a commit of a table of joint units is about, as the commit itself says.

Its own line in the log carries, sealed, which sessions it put anew, with the units and
other keys of their rows, and of which units rows came or went. So that is there as soon
as the rows are, and never without them: whoever keeps a summary of the table, or what
follows from a unit's rows, reads the commits since instead of the table.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import orjson
import polars as pl

from replay.archive import layout
from replay.archive.disk.place import Place
from replay.archive.disk.seal import sealed, unsealed
from replay.archive.tables.manifest import TornCommit, actions, commit_name

KEYS = {
    "indicators": ("serial", "joint", "arm", "baseline", "method"),
    "motions": ("serial", "joint"),
}
"""By table: what is told of a session's rows, each combination once."""

SAID = "jointbook.about"

MOST_SESSIONS = 4096
"""A commit of more sessions, which no work of ours makes, does not say what it is about."""

MOST_READ = 1024
"""So many commits' words a process keeps."""

NOTHING = "[]"
"""What is told of a session that has no rows."""


@dataclass(frozen=True, slots=True)
class About:
    """What one commit is about."""

    told: Mapping[str, tuple[int | None, str]]
    """By session: the least start of its rows, in microseconds since 1970, and its keys."""
    instead: bool
    """Whether these rows came in place of all that the sessions had; else beside them."""
    units: frozenset[str]
    """The units of which rows came or went."""


def keys_text(rows: Iterable[Sequence[Any]]) -> str:
    """Return combinations of keys as a text that is the same for the same combinations."""
    return orjson.dumps(sorted({tuple(row) for row in rows}, key=repr)).decode()


def keys_of(text: str) -> list[tuple[Any, ...]]:
    """Return the combinations of keys that a text tells."""
    return [tuple(row) for row in orjson.loads(text)]


def told_of(name: str, rows: pl.DataFrame) -> dict[str, tuple[int | None, str]]:
    """Return what is told of each session's rows."""
    if not rows.height:
        return {}
    return told_of_keyed(keyed(name, rows.lazy()).collect())


def told_of_keyed(rows: pl.DataFrame) -> dict[str, tuple[int | None, str]]:
    """Return the same of rows as `keyed` gives them."""
    found: dict[str, tuple[int | None, list[tuple[Any, ...]]]] = {}
    for session, start, *keys in rows.iter_rows():
        before, have = found.get(session) or (start, [])
        have.append(tuple(keys))
        earlier = [s for s in (before, start) if s is not None]
        found[session] = min(earlier, default=None), have
    return {s: (start, keys_text(have)) for s, (start, have) in found.items()}


def keyed(name: str, rows: pl.LazyFrame) -> pl.LazyFrame:
    """Return each session's combinations of keys once: session, start in µs, the keys."""
    there = rows.collect_schema()
    keys = [
        (pl.col(k) if k in there else pl.lit(None, dtype=pl.String)).alias(k) for k in KEYS[name]
    ]
    start = pl.lit(None, dtype=pl.Int64)
    if isinstance(there.get("start"), pl.Datetime):
        start = pl.col("start").dt.epoch("us")
    chosen = rows.select("session", start.alias("start_us"), *keys)
    once = chosen.group_by("session", *KEYS[name]).agg(pl.col("start_us").min())
    return once.select("session", "start_us", *KEYS[name])


def metadata(
    name: str, rows: pl.DataFrame, instead_of: Sequence[str] | None, gone: Iterable[str] | None
) -> dict[str, str] | None:
    """Return what a commit says of itself; None where that cannot be said.

    Parameters
    ----------
    name : str
        The table.
    rows : DataFrame
        What comes.
    instead_of : sequence of str, optional
        The sessions whose rows go; None where rows are added to what is there.
    gone : iterable of str, optional
        The units of the rows that go, where they are known.
    """
    known = name in KEYS and (not rows.height or {"session", "serial"} <= set(rows.columns))
    if not known or gone is None:
        return None
    told = dict.fromkeys(instead_of or (), (None, NOTHING)) | told_of(name, rows)
    if len(told) > MOST_SESSIONS:
        return None
    units = {*gone, *(rows["serial"].drop_nulls().unique() if rows.height else ())}
    document = {
        "told": {s: list(what) for s, what in told.items()},
        "instead": instead_of is not None,
        "units": sorted(units),
    }
    return {SAID: sealed(document).decode()}


def abouts_since(
    table: Place, after: int, last: int, known: dict[int, About]
) -> list[About] | None:
    """Return what the commits after one of them are about; None where one does not say.

    ``known`` keeps what was read before: a commit never changes.
    """
    found = []
    for version in range(after + 1, last + 1):
        if version not in known:
            about = _about(table.child(layout.LOG, commit_name(version)))
            if about is None:
                return None
            known[version] = about
            if len(known) > MOST_READ:
                known.pop(next(iter(known)))
            found.append(about)
            continue
        found.append(known[version])
    return found


def _about(commit: Place) -> About | None:
    try:
        said = actions(commit.read())
    except (OSError, TornCommit):
        return None
    changes = [a for action in said for k in ("add", "remove") if (a := action.get(k))]
    if not any(a.get("dataChange", True) for a in changes):
        return About({}, instead=False, units=frozenset())  # a merge changes no row
    infos = [info for action in said if (info := action.get("commitInfo"))]
    text = next((i[SAID] for i in infos if SAID in i), None)
    document = unsealed(text.encode()) if isinstance(text, str) else None
    if document is None:
        return None
    told = {s: (start, keys) for s, (start, keys) in document["told"].items()}
    return About(told, document["instead"], frozenset(document["units"]))
