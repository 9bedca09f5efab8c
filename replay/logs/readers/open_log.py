"""Open any log: the content decides which reader takes it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from replay.errors import JointbookError, LogRefused
from replay.logs.maps import LogMap
from replay.logs.readers.columnar import read_arrow, read_parquet
from replay.logs.readers.delimited import read_delimited
from replay.logs.readers.ndjson import read_ndjson
from replay.logs.readers.packets import looks_like_packets, read_packets
from replay.logs.readers.raw import RawLog, SetAside
from replay.logs.readers.sheets import read_sheet
from replay.logs.readers.sniff import Sniff, sniff
from replay.logs.readers.unpack import unpack

_STEP = 1 << 22
_HEAD = 256
_LEAST_TAIL = 16
"""From so many NUL bytes on, a text's end is space that was never written to."""


def open_log(path: Path, scratch: Path, maps: Sequence[LogMap] = ()) -> RawLog:
    """Find out what a file is and make it ready to scan.

    Parameters
    ----------
    path : Path
        The log as it came.
    scratch : Path
        A private folder for what has to be unpacked or scrubbed.

    maps : sequence of LogMap
        A map that describes packets is what a file of packets is read with.

    Raises
    ------
    LogRefused
        With the reason, when the file is no table of samples.
    """
    described = next((m for m in maps if m.packets), None)
    if described is not None and path.is_file() and looks_like_packets(path):
        return read_packets(path, described, scratch)
    told: list[SetAside] = []
    table = _filled(path, scratch, told)
    found = sniff(table)
    try:
        raw = _open(table, found, scratch, told)
    except JointbookError as error:
        if error.file is not None and Path(error.file).parent == scratch:
            error.file = str(path)  # what was unpacked is nobody's file
            error.args = (error.sentence(),)
        raise
    return replace(raw, path=path, set_aside=(*raw.set_aside, *told))


def _open(table: Path, found: Sniff, scratch: Path, told: list[SetAside]) -> RawLog:
    path = table
    for _ in range(2):
        if found.kind not in ("gz", "zst"):
            break
        table = _filled(unpack(table, found.kind, scratch), scratch, told)
        found = sniff(table)
    if found.kind in ("gz", "zst"):
        raise LogRefused("packed more than twice", file=path, todo="unpack it first")
    if found.kind == "parquet":
        return read_parquet(table)
    if found.kind in ("arrow", "arrow-stream"):
        return read_arrow(table, found.kind)
    if found.kind == "xlsx":
        return read_sheet(table)
    if found.kind == "ndjson":
        return read_ndjson(table, found, scratch)
    return read_delimited(table, found, scratch)


def _filled(path: Path, scratch: Path, told: list[SetAside]) -> Path:
    """Return a text without the space at its end that was set aside and never written to."""
    try:
        size = path.stat().st_size
        with path.open("rb") as handle:
            head = handle.read(_HEAD)
            if not size or b"\x00" in head:
                return path  # no text, or one of two bytes a letter
            count = 0
            while count < size:
                step = min(_STEP, size - count)
                handle.seek(size - count - step)
                kept = len(handle.read(step).rstrip(b"\x00"))
                count += step - kept
                if kept:
                    break
    except OSError:
        return path  # `sniff` says what is the matter
    if count < _LEAST_TAIL:
        return path
    told.append(
        SetAside(
            "nul-tail",
            f"{count} NUL bytes stand after the last row: space that the recorder had set aside "
            "and never wrote to",
        )
    )
    return _without_tail(path, size - count, scratch)


def _without_tail(path: Path, size: int, scratch: Path) -> Path:
    target = scratch / f"{path.name}.filled"
    with path.open("rb") as source, target.open("wb") as sink:
        left = size
        while left and (piece := source.read(min(_STEP, left))):
            sink.write(piece)
            left -= len(piece)
    return target
