"""Make a session's files ready, so that one rename puts them in the archive."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import polars as pl
import pyarrow.parquet as pq

from replay.archive import catalogue, layout
from replay.archive.disk import durable
from replay.archive.disk.seal import sealed
from replay.archive.samples.overview import OverviewWriter, write_overviews
from replay.archive.samples.pieces import noted_of
from replay.digests import joined_digest
from replay.errors import ArchiveError
from replay.records import Session
from replay.units import TIME, TIME_DTYPE

ROW_GROUP_ROWS = 65_536
MOST_ROW_GROUP_ROWS = 131_072

_ANY_NAME = "stream"
"""What overviews beside a stream's file are called until the stream has its name."""

Stream = pl.LazyFrame | pl.DataFrame | Path


def prepare(
    folder: Path,
    session: Session,
    streams: Mapping[str, Stream],
    raw: Path | Sequence[Path] | None,
    earlier: Sequence[str] = (),
) -> tuple[Path, Path | None, dict[str, Any]]:
    """Write all that a session is made of below ``folder``.

    Returns
    -------
    made : Path
        The folder of samples, overviews and ``session.json``.
    kept : Path or None
        The folder of the log as it came.
    document : dict
        What ``session.json`` says.
    """
    if set(streams) != set(session.channels):
        raise ArchiveError(
            f"the record lists the streams {sorted(session.channels)}, given are {sorted(streams)}",
            file=session.source,
        )
    made = folder / "session"
    made.mkdir()
    with ThreadPoolExecutor(3) as pool:
        raw_copy = None if raw is None else pool.submit(_raw_folder, folder, session, raw)
        lacking = []
        for name, stream in sorted(streams.items()):
            path = made / f"{name}.parquet"
            _write_stream(stream, path)
            _compare(path, session, name)
            if not (isinstance(stream, Path) and _take_overviews(stream, made, name)):
                lacking.append(name)
        digests = _finish(made, sorted(streams), lacking, pool)
        document = catalogue.session_document(session, digests, earlier)
        (made / layout.RECORD).write_bytes(sealed(document))
        durable.sync_tree(made)
        kept = None if raw_copy is None else raw_copy.result()
    return made, kept, document


def copy_raw(folder: Path, sources: Sequence[Path]) -> tuple[Path, str]:
    """Copy a log's files into a new folder below ``folder``, for `add_session`.

    Returns
    -------
    kept : Path
        The new folder; give it to `Archive.add_session` as ``raw``.
    sha256 : str
        The file's SHA-256; of several files, the SHA-256 of their digests in
        hexadecimal, one after another in reading order.
    """
    kept = folder / "raw"
    kept.mkdir()
    listed = []
    for number, source in enumerate(sources):
        name = (
            source.name
            if len({s.name for s in sources}) == len(sources)
            else (f"{number}-{source.name}")
        )
        sha256 = durable.copy_with_digest(source, kept / name)
        listed.append({"file": name, "sha256": sha256, "bytes": (kept / name).stat().st_size})
    (kept / layout.RAW_LIST).write_bytes(json.dumps({"files": listed}, indent=1).encode())
    durable.sync_tree(kept)
    return kept, joined_digest([str(item["sha256"]) for item in listed])


def raw_list(files: Sequence[Path], digests: Sequence[str]) -> bytes:
    """Return the list that lies beside a log's files, in reading order."""
    listed = [
        {"file": p.name, "sha256": d, "bytes": p.stat().st_size}
        for p, d in zip(files, digests, strict=True)
    ]
    return json.dumps({"files": listed}, indent=1).encode()


def file_digests(folder: Path) -> dict[str, dict[str, Any]]:
    """Return digest and length of each file of a session's folder but its record."""
    return {
        str(path.relative_to(folder)): noted_of(path)
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != layout.RECORD
    }


def overviews_beside(samples: Path) -> OverviewWriter:
    """Make a stream's overviews while its samples are written, for `prepare` to find.

    What an earlier attempt at the same file left behind is removed.
    """
    shutil.rmtree(_beside(samples), ignore_errors=True)
    return OverviewWriter(_beside(samples), _ANY_NAME, samples)


def _beside(samples: Path) -> Path:
    return samples.with_name(f"{samples.name}.{layout.OVERVIEWS}")


def _take_overviews(samples: Path, made: Path, name: str) -> bool:
    """Move overviews that were made beside a stream's file; tell whether there were any."""
    folder = _beside(samples)
    if not folder.is_dir():
        return False
    target = made / layout.OVERVIEWS
    target.mkdir(exist_ok=True)
    for path in folder.iterdir():
        os.replace(path, target / f"{name}{path.name.removeprefix(_ANY_NAME)}")
    return True


def _finish(
    made: Path, streams: list[str], lacking: list[str], pool: ThreadPoolExecutor
) -> dict[str, dict[str, Any]]:
    """Make overviews that are not there, while all files go to the disk and are digested."""
    waiting: dict[str, Future[dict[str, Any]]] = {}
    for name in streams:
        path = made / f"{name}.parquet"
        pool.submit(durable.sync, path)
        waiting[path.name] = pool.submit(noted_of, path)
    for name in lacking:
        write_overviews(made / f"{name}.parquet", made / layout.OVERVIEWS, name)
    for path in (made / layout.OVERVIEWS).glob("*"):
        waiting[str(path.relative_to(made))] = pool.submit(noted_of, path)
    return {name: noted.result() for name, noted in sorted(waiting.items())}


def _write_stream(stream: Stream, path: Path) -> None:
    if isinstance(stream, Path):
        if _as_kept(stream):
            os.replace(stream, path)
        else:
            _sink(pl.scan_parquet(stream, glob=False), path)
            stream.unlink()
    else:
        _sink(stream.lazy(), path)


def _sink(stream: pl.LazyFrame, path: Path) -> None:
    stream.sink_parquet(path, compression="zstd", row_group_size=ROW_GROUP_ROWS, statistics=True)


def _as_kept(path: Path) -> bool:
    """Tell whether a Parquet file has the row groups, packing and statistics we keep."""
    footer = pq.read_metadata(path)
    for number in range(footer.num_row_groups):
        group = footer.row_group(number)
        last = number == footer.num_row_groups - 1
        if group.num_rows > MOST_ROW_GROUP_ROWS or (group.num_rows < 32_768 and not last):
            return False
        if not all(
            (column := group.column(c)).compression == "ZSTD" and column.is_stats_set
            for c in range(group.num_columns)
        ):
            return False
    return True


def _compare(path: Path, session: Session, stream: str) -> None:
    """Refuse a stream that does not hold what the record says."""
    schema = pl.scan_parquet(path, glob=False).collect_schema()
    if schema.get(TIME) != TIME_DTYPE:
        raise ArchiveError(
            f"time is {schema.get(TIME)}, not {TIME_DTYPE}", file=session.source, column=TIME
        )
    missing = [c for c in session.channels[stream] if c not in schema]
    if missing:
        raise ArchiveError(
            f"stream {stream!r} lacks a channel that the record lists",
            file=session.source,
            column=missing[0],
        )


def _raw_folder(folder: Path, session: Session, raw: Path | Sequence[Path]) -> Path:
    if isinstance(raw, Path) and raw.is_dir():
        return raw
    kept, sha256 = copy_raw(folder, [raw] if isinstance(raw, Path) else list(raw))
    single = isinstance(raw, Path) or len(raw) == 1
    if single and session.raw_sha256 and sha256 != session.raw_sha256:
        raise ArchiveError(
            "the log changed while it was read", file=session.source, todo="ingest it again"
        )
    return kept
