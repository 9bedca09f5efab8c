"""Files too long to be read whole are compared piece by piece, where they are read.

A session's file is noted with a check sum for every 256 KiB (CRC-32, which
tells every burst of up to 32 bits and misses one in four thousand million
others) beside the SHA-256 of the whole, which `verify` uses. Before a reader
takes columns of a span, the pieces that hold them are compared, once for each
version of the file and each process. Files that were stored before there were
pieces are compared whole.
"""

from __future__ import annotations

import hashlib
import zlib
from collections import OrderedDict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from threading import Lock
from typing import Any

import pyarrow.parquet as pq

from replay.archive.disk.fence import fenced
from replay.archive.disk.place import Place
from replay.errors import DamageError, first_line

PIECE = 1 << 18
_LETTERS = 8  # of a CRC-32 in hexadecimal
_KEPT = 256
_TAIL = 1 << 16
"""The end of a Parquet file that its reader looks at first."""

Noted = Mapping[str, Any]
"""A file's ``bytes``, ``sha256`` and, from schema version 2 on, ``pieces``."""
Span = tuple[int, int]


@dataclass
class _Seen:
    """What is known of one version of a file."""

    sound: set[int] = field(default_factory=set)
    whole: bool = False
    layout: list[tuple[int, int, dict[str, Span]]] | None = None
    """First and last instant of each row group, and where its columns lie."""


_files: OrderedDict[tuple[str, int, int], _Seen] = OrderedDict()
_lock = Lock()


def noted_of(path: Path) -> dict[str, Any]:
    """Return what is noted of a file: length, SHA-256, check sums of its pieces."""
    whole = hashlib.sha256()
    pieces = []
    buffer = bytearray(PIECE)
    view = memoryview(buffer)
    with path.open("rb", 0) as handle:
        while count := _filled(handle, view):
            whole.update(view[:count])
            pieces.append(f"{zlib.crc32(view[:count]):08x}")
    return {
        "sha256": whole.hexdigest(),
        "bytes": path.stat().st_size,
        "pieces": "".join(pieces),
    }


def check_columns(
    place: Place, noted: Noted, columns: Iterable[str] | None, start: int, end: int
) -> None:
    """Compare what a reader of some columns of a span will see with what was written.

    Parameters
    ----------
    place : Place
        A Parquet file, its first column the instants.
    noted : mapping
        What was noted of the file.
    columns : iterable of str, optional
        Those that will be read; all when not given.
    start, end : int
        The span, ns since 1970; row groups outside are not looked at.

    Raises
    ------
    DamageError
        When a byte is not what was written.
    """
    seen = _seen(place)
    if seen.whole:
        return
    pieces = noted.get("pieces")
    if not pieces:
        _check_whole(place, noted, seen)
        return
    if columns is None and start <= -(2**62) and end >= 2**62:
        _check(place, noted, seen, range(len(pieces) // _LETTERS))
        seen.whole = True
        return
    if seen.layout is None:
        seen.layout = _checked_layout(place, noted, seen)
    wanted = None if columns is None else set(columns)
    spans = [
        span
        for low, high, held in seen.layout
        if high >= start and low < end
        for name, span in held.items()
        if wanted is None or name in wanted
    ]
    _check(place, noted, seen, _pieces_of(spans))


def _seen(place: Place) -> _Seen:
    key = (place.url, *place.stamp())
    with _lock:
        found = _files.get(key)
        if found is None:
            found = _files[key] = _Seen()
            while len(_files) > _KEPT:
                _files.popitem(last=False)
        return found


def _check_whole(place: Place, noted: Noted, seen: _Seen) -> None:
    whole = hashlib.sha256()
    try:
        with place.open() as handle:
            while piece := handle.read(1 << 23):
                whole.update(piece)
    except OSError as error:
        raise _changed(place, first_line(error)) from error
    if whole.hexdigest() != noted["sha256"]:
        raise _changed(place, "its bytes changed since it was written")
    seen.whole = True


def _check(place: Place, noted: Noted, seen: _Seen, numbers: Iterable[int]) -> None:
    sums, size = noted["pieces"], int(noted["bytes"])
    todo = sorted(set(numbers) - seen.sound)
    if not todo:
        return
    try:
        if place.size() != size:
            raise _changed(place, f"{place.size()} bytes where {size} were written")
        with place.open() as handle:
            for number in todo:
                handle.seek(number * PIECE)
                found = handle.read(min(PIECE, size - number * PIECE))
                written = sums[number * _LETTERS : (number + 1) * _LETTERS]
                if f"{zlib.crc32(found):08x}" != written:
                    raise _changed(place, "its bytes changed since it was written")
                seen.sound.add(number)
    except OSError as error:
        raise _changed(place, first_line(error)) from error


def _pieces_of(spans: Iterable[Span]) -> set[int]:
    return {
        number
        for low, high in spans
        for number in range(low // PIECE, (max(high, low + 1) - 1) // PIECE + 1)
    }


def _checked_layout(
    place: Place, noted: Noted, seen: _Seen
) -> list[tuple[int, int, dict[str, Span]]]:
    """Return where a file's columns lie, by a footer that was compared before it is believed."""
    size = int(noted["bytes"])
    _check(place, noted, seen, _pieces_of([(0, 4), (max(0, size - _TAIL), size)]))
    try:
        _check(place, noted, seen, _pieces_of([(_footer_start(place, size), size)]))
        with fenced():
            found = _layout(place.footer())
    except (OSError, ValueError) as error:
        raise _changed(place, first_line(error)) from error
    rows_end = max((high for *_, held in found for _, high in held.values()), default=4)
    _check(place, noted, seen, _pieces_of([(rows_end, size)]))  # indexes, if there are any
    return found


def _footer_start(place: Place, size: int) -> int:
    with place.open() as handle:
        handle.seek(size - 8)
        return size - 8 - int.from_bytes(handle.read(4), "little")


def _layout(footer: pq.FileMetaData) -> list[tuple[int, int, dict[str, Span]]]:
    found = []
    for number in range(footer.num_row_groups):
        group = footer.row_group(number)
        held: dict[str, Span] = {}
        low, high = -(2**63), 2**63
        for at in range(group.num_columns):
            column = group.column(at)
            first = column.data_page_offset
            if column.has_dictionary_page:
                first = min(first, column.dictionary_page_offset)
            held[column.path_in_schema] = (first, first + column.total_compressed_size)
            if at == 0 and column.is_stats_set and column.statistics.has_min_max:
                bounds = column.statistics.min_raw, column.statistics.max_raw
                if all(isinstance(b, int) for b in bounds):
                    low, high = bounds
        found.append((low, high, held))
    return found


def _filled(handle: Any, view: memoryview) -> int:
    """Read until the buffer is full or the file ends; a disk may give less at a time."""
    done = 0
    while done < len(view) and (count := handle.readinto(view[done:])):
        done += count
    return done


def _changed(place: Place, what: str) -> DamageError:
    return DamageError(
        what, file=place, todo="`jointbook archive verify` says what is damaged and what mends it"
    )
