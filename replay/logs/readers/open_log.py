"""Open any log: the content decides which reader takes it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from replay.errors import JointbookError, LogRefused
from replay.logs.maps import LogMap
from replay.logs.readers.columnar import read_arrow, read_parquet
from replay.logs.readers.delimited import read_delimited
from replay.logs.readers.ndjson import read_ndjson
from replay.logs.readers.packets import looks_like_packets, read_packets
from replay.logs.readers.raw import RawLog
from replay.logs.readers.sheets import read_sheet
from replay.logs.readers.sniff import Sniff, sniff
from replay.logs.readers.unpack import unpack


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
    found = sniff(path)
    try:
        return _open(path, found, scratch)
    except JointbookError as error:
        if error.file is not None and Path(error.file).parent == scratch:
            error.file = str(path)  # what was unpacked is nobody's file
            error.args = (error.sentence(),)
        raise


def _open(path: Path, found: Sniff, scratch: Path) -> RawLog:
    table = path
    for _ in range(2):
        if found.kind not in ("gz", "zst"):
            break
        table = unpack(table, found.kind, scratch)
        found = sniff(table)
    if found.kind in ("gz", "zst"):
        raise LogRefused("packed more than twice", file=path, todo="unpack it first")
    if found.kind == "parquet":
        raw = read_parquet(table)
    elif found.kind in ("arrow", "arrow-stream"):
        raw = read_arrow(table, found.kind)
    elif found.kind == "xlsx":
        raw = read_sheet(table)
    elif found.kind == "ndjson":
        raw = read_ndjson(table, found, scratch)
    else:
        raw = read_delimited(table, found, scratch)
    raw.path = path
    return raw
