"""A table's parts: files of some megabytes whose rows lie side by side in time, or by unit.

Each commit adds a small file. Every so often the small ones become one part; a
part that has grown to its size is left alone, so a commit never rewrites the
table. Sessions come mostly in the order of time, and then parts do not overlap.
Where they do (logs of years ago taken in today), the files that lie over one
another are put in order together, some at a time. Tables with a history of each
joint unit are in the order of the units: there each new part lies over all the
others, and what many parts hold of a unit comes together in few, step by step.
"""

from __future__ import annotations

import contextlib
import io
import secrets
import time
from collections.abc import Iterator, Mapping
from pathlib import Path

import orjson
import polars as pl

from replay.archive import layout
from replay.archive.tables.bounds import Bounds, Value
from replay.archive.tables.manifest import Mark, actions, commit_name

PART_BYTES = 4 << 20
"""A part is so large, from half to one and a half of it: what a question reads at the least."""
PART_ROWS = 100_000
DEEPEST = 8
"""So many parts may lie over one another before they are put in order."""
AT_ONCE = 16
"""So many parts are rewritten in one commit at the most."""
_ROW_GROUP = 65_536

BY_UNIT = ("indicators", "motions")
"""Tables that are asked for the history of a joint unit, over all its sessions."""

JUDGED = tuple(f"trends-{axis}" for axis in ("time", "travel", "brake-cycles", "work"))
"""Tables of what was concluded from a joint unit's history; a row is no session's."""

KEYS = {
    "sessions": ("start", "session"),
    **dict.fromkeys(BY_UNIT, ("serial", "session")),
    **dict.fromkeys(JUDGED, ("serial", "indicator")),
}
"""What a table is ordered by; the others by the session's name, which begins with its start."""


def lacks_bounds(name: str, bounds: Bounds | None) -> bool:
    """Tell whether it is not known between which keys the rows of a file lie."""
    return bounds is None or (is_by_unit(name) and KEYS[name][0] not in bounds.spans)


def is_by_unit(name: str) -> bool:
    """Tell whether a table lies in the order of joint units."""
    return name in BY_UNIT or name in JUDGED


def ordered(name: str, rows: pl.DataFrame) -> pl.DataFrame:
    """Return rows in the order in which a table's parts hold them; ties stay as they came."""
    keys = [k for k in KEYS.get(name, ("session",)) if k in rows.columns]
    return rows.sort(keys, maintain_order=True) if keys else rows


def to_rewrite(name: str, files: Mapping[str, Mark]) -> list[str]:
    """Return the files that should be put in order together, in the order of their commits.

    The small ones; those too large for a part; and where more than `DEEPEST` lie over one
    another, those at the deepest place. Empty when nothing would be better for it.
    """
    key = KEYS.get(name, ("session",))[0]
    small = [f for f, m in files.items() if _share(m) < 0.5]
    large = [f for f, m in files.items() if _share(m) > 3.0]
    chosen = set(small) if len(small) > 1 else set()
    room = float(AT_ONCE)
    for file in large:
        room -= _share(files[file])
        if room < 0 and file != large[0]:
            break
        chosen.add(file)
    spans = {
        f: span
        for f, m in files.items()
        if f not in chosen and f not in small and (span := _span(m.bounds, key)) is not None
    }
    deep = _deepest(spans)
    if len(deep) > DEEPEST and not chosen & set(large):
        chosen |= set(deep[:AT_ONCE])
    return [f for f in files if f in chosen]


def _share(mark: Mark) -> float:
    """Return how much of a part a file is."""
    rows = mark.bounds.rows if mark.bounds is not None else 0
    return max(mark.size / PART_BYTES, rows / PART_ROWS)


def _span(bounds: Bounds | None, key: str) -> tuple[Value, Value] | None:
    """Return from where to where a file goes; None where that is one place or not known."""
    span = bounds.spans.get(key) if bounds is not None else None
    return span if span is not None and span[0] != span[1] else None


def _deepest(spans: Mapping[str, tuple[Value, Value]]) -> list[str]:
    """Return the files that lie over one another where most do, oldest first."""
    ends = sorted(
        (edge, side)  # at one place what begins comes before what ends
        for span in spans.values()
        for side, edge in enumerate(span)
    )
    depth, most, where = 0, 0, None
    for edge, side in ends:
        depth += 1 if side == 0 else -1
        if depth > most:
            most, where = depth, edge
    if where is None:
        return []
    return [f for f, (low, high) in spans.items() if low <= where <= high]  # type: ignore[operator]


def pieces(rows: pl.DataFrame) -> Iterator[bytes]:
    """Yield Parquet files that hold ordered rows, a part each."""
    whole = _parquet(rows)
    count = max(round(len(whole) / PART_BYTES), -(-rows.height // PART_ROWS), 1)
    if count == 1:
        yield whole
        return
    for k in range(count):
        first, last = k * rows.height // count, (k + 1) * rows.height // count
        if last > first:
            yield _parquet(rows.slice(first, last - first))


def slices(rows: pl.DataFrame) -> Iterator[pl.DataFrame]:
    """Yield ordered rows as parts, by what they take in memory, packed to a tenth or so."""
    count = max(int(rows.estimated_size()) // (10 * PART_BYTES), -(-rows.height // PART_ROWS), 1)
    for k in range(count):
        first, last = k * rows.height // count, (k + 1) * rows.height // count
        if last > first:
            yield rows.slice(first, last - first)


def write_commit(folder: Path, rows: pl.DataFrame, gone: Mapping[str, Mark]) -> None:
    """Write the commit that puts ordered rows in place of files into a scratch table.

    The library's own merging keeps neither the order nor the size.
    """
    now = int(time.time() * 1000)
    lines = []
    for name, mark in gone.items():
        removed = {"path": name, "deletionTimestamp": now, "dataChange": False, "size": mark.size}
        lines.append({"remove": {**removed, "partitionValues": {}, "extendedFileMetadata": True}})
    for number, content in enumerate(pieces(rows) if rows.height else ()):
        name = f"part-{number:05d}-{secrets.token_hex(16)}.parquet"
        (folder / name).write_bytes(content)
        added = {"path": name, "partitionValues": {}, "size": len(content)}
        lines.append({"add": {**added, "modificationTime": now, "dataChange": False}})
    said = {"timestamp": now, "operation": "OPTIMIZE", "engineInfo": "jointbook"}
    lines.append({"commitInfo": said})
    path = folder / layout.LOG / commit_name(1)
    path.write_bytes(b"\n".join(orjson.dumps(line) for line in lines))


def _parquet(rows: pl.DataFrame) -> bytes:
    content = io.BytesIO()
    rows.write_parquet(content, compression="zstd", row_group_size=_ROW_GROUP)
    return content.getvalue()


def unread(table: Path, held: Mapping[str, Mark], for_s: float) -> list[Path]:
    """Return the files that no commit needs since ``for_s`` seconds or longer."""
    left: dict[str, float] = {}
    for commit in (table / layout.LOG).glob("*.json"):
        with contextlib.suppress(ValueError, KeyError, TypeError):
            for action in actions(commit.read_bytes()):
                if removed := action.get("remove"):
                    left[removed["path"]] = removed["deletionTimestamp"] / 1000
    now = time.time()
    return [
        path
        for path in sorted(table.glob("*.parquet"))
        if path.name not in held and now - left.get(path.name, path.stat().st_mtime) >= for_s
    ]
