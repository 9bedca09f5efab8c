"""Open an archive, add sessions to it, read them back."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, fields
from datetime import datetime
from pathlib import Path

import polars as pl

from replay.archive import layout, tables, windows
from replay.archive.overview import overview_name, write_overviews
from replay.errors import ArchiveError
from replay.records import QualityNote, Session
from replay.units import TIME


def open_archive(path: str | Path, *, create: bool = False) -> Archive:
    """Open the archive at ``path``; make it first if ``create`` is true."""
    root = Path(path)
    marker = root / layout.MARKER
    if not marker.exists():
        if not create:
            raise ArchiveError(
                "there is no archive here", file=root, todo="run `jointbook ingest` or `demo` first"
            )
        root.mkdir(parents=True, exist_ok=True)
        _write_whole(marker, json.dumps({"schema_version": layout.SCHEMA_VERSION}).encode())
    version = json.loads(marker.read_text()).get("schema_version")
    if version != layout.SCHEMA_VERSION:
        raise ArchiveError(
            f"schema version {version}, this program reads {layout.SCHEMA_VERSION}", file=root
        )
    return Archive(root)


class Archive:
    """A folder of sessions and what was concluded from them."""

    def __init__(self, root: Path) -> None:
        self.root = root

    # sessions ---------------------------------------------------------------
    def sessions(self) -> pl.DataFrame:
        """Return the catalogue, one row a session, oldest first."""
        frame = self.table("sessions")
        return frame.sort("start", "session") if frame.height else frame

    def has_session(self, session: str) -> bool:
        """Tell whether the catalogue knows this session."""
        frame = self.table("sessions")
        return frame.height > 0 and session in frame["session"]

    def session(self, session: str) -> Session:
        """Return one session's record; ArchiveError when it is not there."""
        frame = self.table("sessions")
        found = frame.filter(pl.col("session") == session) if frame.height else frame
        if not found.height:
            raise ArchiveError(
                f"no session {session!r}",
                file=self.root,
                todo="`jointbook flags` and the library page list what there is",
            )
        return _session_from_json(found["record"][0])

    def samples(
        self,
        session: str,
        *,
        stream: str = "main",
        channels: Iterable[str] | None = None,
        start: datetime | None = None,
        end: datetime | None = None,
    ) -> pl.LazyFrame:
        """Scan one stream of a session: ``time`` and the channels asked for.

        ``start`` is included, ``end`` is not.
        """
        path = self.root / layout.SAMPLES / session / f"{stream}.parquet"
        if not path.exists():
            raise ArchiveError(f"session {session!r} has no stream {stream!r}", file=path)
        frame = pl.scan_parquet(path)
        if channels is not None:
            frame = frame.select([TIME, *channels])
        if start is not None:
            frame = frame.filter(pl.col(TIME) >= start)
        if end is not None:
            frame = frame.filter(pl.col(TIME) < end)
        return frame

    def window(
        self,
        session: str,
        channels: Iterable[str],
        start: datetime | None = None,
        end: datetime | None = None,
        max_points: int = 2000,
    ) -> dict[str, windows.Points]:
        """Return few points per channel that look like all of them.

        Parameters
        ----------
        session : str
            The session's name.
        channels : iterable of str
            Channels of numbers, from any streams (``J3.current_a``). Yes and
            no come back as 1 and 0; for words ask `spans`.
        start, end : datetime, optional
            The window ``[start, end)``; the whole session when not given.
        max_points : int
            Most points per channel.

        Returns
        -------
        dict
            For each channel ``(time, value)``: int64 ns since 1970 UTC, rising
            or equal, and float32, NaN for a hole. When there are more samples
            than points, the least and the greatest sample of each of
            ``max_points / 2`` buckets of time are kept, so no spike is lost.
        """
        record = self.session(session)
        wanted = list(dict.fromkeys(channels))
        low, high = _bounds(start, end)
        points: dict[str, windows.Points] = {}
        for stream, names in self._by_stream(record, wanted).items():
            files = windows.StreamFiles.find(
                self._stream_path(session, stream), self._overview_folder(session), stream
            )
            points |= windows.window_points(files, names, low, high, max_points)
        return {name: points[name] for name in wanted}

    def spans(
        self,
        session: str,
        channel: str,
        start: datetime | None = None,
        end: datetime | None = None,
    ) -> pl.DataFrame:
        """Return the runs of one channel: ``start``, ``end``, ``value``.

        For brake states, phases and other words. A run ends where the next
        begins, the last one with its last sample; ``value`` is null where the
        recorder said nothing.
        """
        (stream,) = self._by_stream(self.session(session), [channel])
        low, high = _bounds(start, end)
        return windows.channel_spans(self._stream_path(session, stream), channel, low, high)

    def overview(
        self, session: str, stream: str, channels: Iterable[str], *, block_rows: int = 1024
    ) -> pl.DataFrame:
        """Return least and greatest per block of rows: time, last, <ch>.min, <ch>.max."""
        wanted = [f"{c}.{edge}" for c in channels for edge in ("min", "max")]
        path = self._overview_folder(session) / overview_name(stream, block_rows)
        if path.exists():
            return pl.read_parquet(path, columns=[TIME, "last", *wanted])
        return windows.blocks_of(self._stream_path(session, stream), block_rows).select(
            TIME, "last", *wanted
        )

    def _by_stream(self, record: Session, channels: list[str]) -> dict[str, list[str]]:
        found: dict[str, list[str]] = {}
        for name in channels:
            stream = self.stream_of(record, name)
            if stream is None:
                raise ArchiveError(
                    f"session {record.session!r} has no such channel", column=name, file=self.root
                )
            found.setdefault(stream, []).append(name)
        return found

    def _stream_path(self, session: str, stream: str) -> Path:
        return self.root / layout.SAMPLES / session / f"{stream}.parquet"

    def _overview_folder(self, session: str) -> Path:
        return self.root / layout.SAMPLES / session / layout.OVERVIEWS

    def stream_of(self, record: Session, name: str) -> str | None:
        """Return the stream that holds a channel, or None."""
        return next((s for s, names in record.channels.items() if name in names), None)

    @contextlib.contextmanager
    def staging(self) -> Iterator[Path]:
        """Give a private folder on the archive's own disk; gone afterwards."""
        base = self.root / layout.STAGING
        base.mkdir(parents=True, exist_ok=True)
        folder = Path(tempfile.mkdtemp(dir=base))
        try:
            yield folder
        finally:
            shutil.rmtree(folder, ignore_errors=True)

    def add_session(
        self,
        session: Session,
        streams: Mapping[str, pl.LazyFrame | pl.DataFrame | Path],
        *,
        raw: Path | None = None,
    ) -> bool:
        """Store a session whole; False when it was there already.

        A stream given as a path is a Parquet file in `staging`, and is moved.
        The catalogue's row is written last: until then there is no session.
        """
        if self.has_session(session.session):
            return False
        target = self.root / layout.SAMPLES / session.session
        with self.staging() as folder:
            made = folder / "samples"
            made.mkdir()
            for name, stream in streams.items():
                path = made / f"{name}.parquet"
                if isinstance(stream, Path):
                    os.replace(stream, path)
                else:
                    stream.lazy().sink_parquet(path, compression="zstd", row_group_size=65536)
                write_overviews(path, made / layout.OVERVIEWS, name)
            if raw is not None and session.raw_sha256:
                kept = self.root / layout.RAW / session.raw_sha256
                if not kept.exists():
                    copy = folder / "raw"
                    copy.mkdir()
                    shutil.copyfile(raw, copy / raw.name)
                    kept.parent.mkdir(parents=True, exist_ok=True)
                    os.replace(copy, kept)
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.rmtree(target, ignore_errors=True)  # a leftover of a killed run
            os.replace(made, target)
        self.replace("sessions", _catalogue_row(session), session=[session.session])
        return True

    # tables and documents ---------------------------------------------------
    def table(self, name: str) -> pl.DataFrame:
        """Return a small table whole; an empty frame when it is not there."""
        return tables.read(self.root / layout.TABLES / name)

    def replace(self, name: str, rows: pl.DataFrame, *, session: Iterable[str]) -> None:
        """Put ``rows`` in place of all rows of these sessions, in one commit."""
        tables.replace(self.root / layout.TABLES / name, rows, "session", list(session))

    def append(self, name: str, rows: pl.DataFrame) -> None:
        """Add ``rows`` to a table that only ever grows (`reviews`, `pins`)."""
        tables.append(self.root / layout.TABLES / name, rows)

    def write_document(self, name: str, content: bytes) -> None:
        """Write a small named file, whole or not at all."""
        path = self.root / layout.DOCUMENTS / name
        path.parent.mkdir(parents=True, exist_ok=True)
        _write_whole(path, content)

    def read_document(self, name: str) -> bytes:
        """Read a document; ArchiveError when it is not there."""
        path = self.root / layout.DOCUMENTS / name
        if not path.exists():
            raise ArchiveError("no such document", file=path)
        return path.read_bytes()

    def documents(self, folder: str) -> list[str]:
        """Return the names of the documents below a folder, sorted."""
        base = self.root / layout.DOCUMENTS
        return sorted(str(p.relative_to(base)) for p in (base / folder).rglob("*") if p.is_file())


def _bounds(start: datetime | None, end: datetime | None) -> tuple[int, int]:
    """Return a window in ns since 1970, as wide as can be where not given."""
    low = -(2**62) if start is None else windows.nanoseconds(start)
    high = 2**62 if end is None else windows.nanoseconds(end)
    return low, high


def _write_whole(path: Path, content: bytes) -> None:
    with tempfile.NamedTemporaryFile(dir=path.parent, delete=False) as handle:
        handle.write(content)
        handle.flush()
        os.fsync(handle.fileno())
    os.replace(handle.name, path)


def _catalogue_row(session: Session) -> pl.DataFrame:
    record = json.dumps(asdict(session), default=datetime.isoformat)
    return pl.DataFrame(
        {
            "session": [session.session],
            "arm": [session.arm],
            "source": [session.source],
            "start": [session.start],
            "end": [session.end],
            "rows": [session.rows],
            "joints": [len(session.joints)],
            "base_end": [session.base_end],
            "payload_kg": [session.payload_kg],
            "person_on_tip": [session.person_on_tip],
            "rate_hz": [session.rate_hz],
            "completeness": [session.completeness],
            "record": [record],
        },
        schema_overrides={
            "base_end": pl.String,
            "payload_kg": pl.Float64,
            "person_on_tip": pl.Boolean,
            "rate_hz": pl.Float64,
            "completeness": pl.Float64,
        },
    )


def _session_from_json(text: str) -> Session:
    data = json.loads(text)
    known = {f.name for f in fields(Session)}
    data = {k: v for k, v in data.items() if k in known}
    data["start"] = datetime.fromisoformat(data["start"])
    data["end"] = datetime.fromisoformat(data["end"])
    data["joints"] = tuple(data["joints"])
    data["channels"] = {k: tuple(v) for k, v in data["channels"].items()}
    data["switched_off"] = tuple(data["switched_off"])
    data["quality"] = tuple(
        QualityNote(
            **{
                **q,
                "start": datetime.fromisoformat(q["start"]) if q["start"] else None,
                "end": datetime.fromisoformat(q["end"]) if q["end"] else None,
            }
        )
        for q in data["quality"]
    )
    return Session(**data)
