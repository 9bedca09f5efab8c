"""Undo gzip and Zstandard in a stream, and stop at a bomb."""

from __future__ import annotations

from pathlib import Path

from replay.errors import LogRefused, first_line

MAX_RATIO = 250
"""Joint logs pack 3 to 50 times; constant ones somewhat more."""
_FREE_BYTES = 1 << 26
_CHUNK = 1 << 22


def unpack(path: Path, kind: str, scratch: Path) -> Path:
    """Write the unpacked content beside other scratch and return its path.

    Raises
    ------
    LogRefused
        If the stream is cut or damaged, or grows beyond `MAX_RATIO`.
    """
    import pyarrow as pa

    name = path.name
    for ending in (".gz", ".zst", ".zstd"):
        name = name.removesuffix(ending)
    target = scratch / (name or "unpacked")
    if target == path:  # packed twice under one ending
        target = scratch / f"{name}.inner"
    limit = path.stat().st_size * MAX_RATIO + _FREE_BYTES
    codec = "gzip" if kind == "gz" else "zstd"
    written = 0
    try:
        with pa.input_stream(str(path), compression=codec) as source, target.open("wb") as sink:
            while chunk := source.read(_CHUNK):
                written += len(chunk)
                if written > limit:
                    raise LogRefused(
                        f"unpacks to more than {MAX_RATIO} times its size; no log does that",
                        file=path,
                    )
                sink.write(chunk)
        if kind == "gz":
            _check_gzip_end(path, written)
    except (pa.ArrowException, OSError, EOFError) as error:
        target.unlink(missing_ok=True)
        raise LogRefused(
            f"the compressed stream is cut or damaged: {first_line(error)}",
            file=path,
            todo="copy it again",
        ) from None
    except LogRefused:
        target.unlink(missing_ok=True)
        raise
    return target


def _check_gzip_end(path: Path, written: int) -> None:
    """Hold a gzip's last length field against what came out of it.

    A cut stream ends without an error in some readers. A file of several
    members has the length of its last one only, which is then smaller.
    """
    with path.open("rb") as handle:
        handle.seek(-4, 2)
        stated = int.from_bytes(handle.read(4), "little")
    if stated != written % (1 << 32) and stated > written:
        raise EOFError(f"the stream states {stated} bytes and gave {written}")
