"""What kind of file is this? Told by its content; the name is only a hint."""

from __future__ import annotations

import codecs
import io
import re
from dataclasses import dataclass
from pathlib import Path

from replay.errors import LogRefused

HEAD_BYTES = 1 << 18
MAX_LINE_BYTES = 1 << 20
"""A longer line is no row of a log: reading on would fill the memory."""

_LOOK_BYTES = 1 << 14

_MAGIC: tuple[tuple[bytes, str], ...] = (
    (b"PAR1", "parquet"),
    (b"ARROW1", "arrow"),
    (b"\xff\xff\xff\xff", "arrow-stream"),
    (b"PK\x03\x04", "xlsx"),
    (b"\x1f\x8b", "gz"),
    (b"\x28\xb5\x2f\xfd", "zst"),
)

_NOT_READ: tuple[tuple[int, bytes, str, str], ...] = (
    (257, b"ustar", "a tar archive", "unpack it and ingest the folder"),
    (0, codecs.BOM_UTF32_LE, "UTF-32 text", "write it as UTF-8"),
    (0, codecs.BOM_UTF32_BE, "UTF-32 text", "write it as UTF-8"),
    (0, b"FEA1", "Feather version 1", "write it as Feather version 2, which is Arrow IPC"),
)
"""Place of a mark, the mark, what it tells, and what to do about it."""


@dataclass(frozen=True, slots=True)
class Sniff:
    """Kind of content; for text also how its characters and lines are coded."""

    kind: str
    encoding: str = "utf-8"
    newline: str = "\n"
    """``"\\r"`` where carriage returns alone end lines, all of them or some."""
    bom: int = 0
    """Octets of the byte order mark."""


def sniff(path: Path) -> Sniff:
    """Tell the kind of a file.

    Returns
    -------
    Sniff
        ``kind`` is ``parquet``, ``arrow``, ``arrow-stream``, ``xlsx``,
        ``gz``, ``zst``, ``ndjson`` or ``delimited``.

    Raises
    ------
    LogRefused
        For an empty file, for content that is neither text nor known, and
        for a line too long to be a row.
    """
    try:
        with path.open("rb") as handle:
            head = handle.read(HEAD_BYTES)
    except OSError as error:
        raise LogRefused(f"cannot be read: {error.strerror}", file=path) from None
    if not head:
        raise LogRefused("the file is empty", file=path)
    for place, mark, what, todo in _NOT_READ:
        if head[place:].startswith(mark):
            raise LogRefused(what, file=path, todo=todo)
    for magic, kind in _MAGIC:
        if head.startswith(magic):
            return Sniff(kind)
    text = _text(head, path)
    if text is None:
        raise LogRefused(
            "neither text nor a known kind of table",
            file=path,
            todo="CSV, NDJSON, Parquet, Arrow, XLSX, or packets with a log map that describes them",
        )
    _check_lines(path, text)
    return text


def _text(head: bytes, path: Path) -> Sniff | None:
    encoding, bom = _encoding(head)
    cut = len(head) - len(head) % 2 if encoding.startswith("utf-16") else len(head)
    decoder = codecs.getincrementaldecoder(encoding)(errors="replace")
    text = decoder.decode(head[bom:cut])
    control = sum(text.count(chr(c)) for c in (*range(2, 9), *range(14, 27), 28, 29, 30, 127))
    if not text.strip("\x00 \r\n\t"):
        raise LogRefused("the file holds nothing but blanks or NUL bytes", file=path)
    if control > len(text) // 50 or text.count("\x00") > len(text) // 4:
        return None
    newline = "\r" if re.search("\r(?!\n)", text[:-1]) else "\n"
    if re.match(r"\s*\[\s*[{\[]", text):
        raise LogRefused(
            "one JSON document", file=path, todo="one object a line (NDJSON) is what can be read"
        )
    kind = "ndjson" if text.lstrip().startswith("{") else "delimited"
    return Sniff(kind, encoding, newline, bom)


def _encoding(head: bytes) -> tuple[str, int]:
    if head.startswith(codecs.BOM_UTF8):
        return "utf-8", 3
    if head.startswith(codecs.BOM_UTF16_LE):
        return "utf-16-le", 2
    if head.startswith(codecs.BOM_UTF16_BE):
        return "utf-16-be", 2
    pairs = max(len(head) // 2, 1)
    if head[1::2].count(0) > 0.4 * pairs and head[0::2].count(0) < 0.1 * pairs:
        return "utf-16-le", 0
    if head[0::2].count(0) > 0.4 * pairs and head[1::2].count(0) < 0.1 * pairs:
        return "utf-16-be", 0
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return "latin-1", 0
    return "utf-8", 0


def _check_lines(path: Path, text: Sniff) -> None:
    """Refuse a file with a giant line, reading a little of each window.

    Not by a memory map: where the system keeps a file in large pages, a touch
    in each window maps the whole of it.
    """
    ends = tuple(end.encode(text.encoding) for end in "\n\r")
    with path.open("rb", 0) as handle:
        size = path.stat().st_size
        for offset in range(0, size - MAX_LINE_BYTES, MAX_LINE_BYTES):
            if not _has_end(handle, ends, offset, offset + MAX_LINE_BYTES):
                raise LogRefused(
                    f"a line of more than {MAX_LINE_BYTES} bytes near byte {offset}",
                    file=path,
                    todo="no row of a log is that long; look at the recorder's export",
                )


def _has_end(handle: io.FileIO, ends: tuple[bytes, ...], begin: int, stop: int) -> bool:
    """Tell whether a line ends between two places, looking from the first one on."""
    handle.seek(begin)
    before = b""
    left = stop - begin
    while left > 0 and (piece := handle.read(min(_LOOK_BYTES, left))):
        if any(end in before + piece for end in ends):
            return True
        before = piece[-len(ends[0]) :]
        left -= len(piece)
    return False
