"""Open an archive, add sessions to it, read them back."""

from __future__ import annotations

import contextlib
import json
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from pathlib import Path

import polars as pl

from replay.archive import catalogue, durable, layout, publish, windows
from replay.archive.overview import OverviewWriter, overview_name
from replay.archive.place import DiskPlace, Place, StorePlace, place_of
from replay.archive.tables import Tables, translated
from replay.errors import ArchiveError
from replay.records import Session
from replay.units import TIME, TIME_DTYPE


def open_archive(
    path: str | Path,
    *,
    create: bool = False,
    storage_options: dict[str, str] | None = None,
) -> Archive:
    """Open the archive at ``path``; make it first if ``create`` is true.

    Parameters
    ----------
    path : str or Path
        A folder, or the URL of an object store (``s3://bucket/archive``).
    create : bool
        Make an archive where there is none.
    storage_options : dict, optional
        How to reach the object store; its environment variables when not given.

    Raises
    ------
    ArchiveError
        When there is no archive, or one of another schema version.
    """
    root = place_of(path, storage_options)
    marker = root.child(layout.MARKER)
    if not marker.exists():
        if not create:
            raise ArchiveError(
                "there is no archive here", file=root, todo="run `jointbook ingest` or `demo` first"
            )
        with translated(root):
            marker.write(json.dumps({"schema_version": layout.SCHEMA_VERSION}).encode())
    version = schema_version(root)
    if version > layout.SCHEMA_VERSION:
        raise ArchiveError(
            f"schema version {version}, this program reads up to {layout.SCHEMA_VERSION}",
            file=root,
            todo="use a newer jointbook",
        )
    if version < layout.SCHEMA_VERSION:
        raise ArchiveError(
            f"schema version {version}, this program reads {layout.SCHEMA_VERSION}",
            file=root,
            todo="`jointbook archive migrate` brings it up to date",
        )
    return Archive(root)


def schema_version(root: Place) -> int:
    """Return the schema version that an archive's marker states."""
    try:
        return int(json.loads(root.child(layout.MARKER).read())["schema_version"])
    except (ValueError, KeyError, TypeError) as error:
        raise ArchiveError(
            "the marker does not state a schema version", file=root.child(layout.MARKER)
        ) from error


class Archive:
    """A folder or object store of sessions and what was concluded from them."""

    def __init__(self, place: DiskPlace | StorePlace) -> None:
        self.place = place
        self.tables = Tables(place)
        self._records: tuple[int | None, dict[str, Session]] = (None, {})
        self.attached: dict[str, object] = {}
        """What later rooms keep for as long as this archive is open, by their name."""

    @property
    def root(self) -> Path:
        """The archive's folder; for an object store, its URL in path's clothing."""
        return self.place.folder or Path(self.place.url)

    # sessions ---------------------------------------------------------------
    def sessions(self) -> pl.DataFrame:
        """Return the catalogue, one row a session, oldest first."""
        frame = self.tables.read("sessions", catalogue.SUMMARY)
        return frame.unique("session", keep="first").sort("start", "session")

    def has_session(self, session: str) -> bool:
        """Tell whether the catalogue knows this session."""
        return session in self.tables.read("sessions", catalogue.SUMMARY)["session"]

    def session(self, session: str) -> Session:
        """Return one session's record; ArchiveError when it is not there."""
        version = self.tables.version("sessions")
        if self._records[0] != version:
            self._records = (version, {})
        records = self._records[1]
        if session not in records:
            if not self.has_session(session):
                raise ArchiveError(
                    f"no session {session!r}",
                    file=self.place,
                    todo="`jointbook ingest` and the library page name what there is",
                )
            records[session] = self._read_record(session)
        return records[session]

    def _read_record(self, session: str) -> Session:
        beside = self.session_place(session).child(layout.RECORD)
        with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
            return catalogue.session_of(json.loads(beside.read())["record"])
        return self.listed_record(session)

    def listed_record(self, session: str) -> Session:
        """Return a session's record as the catalogue has it, whatever its folder says."""
        scan = self.tables.scan("sessions")
        if scan is None:
            raise ArchiveError("the catalogue has gone", file=self.place)
        text = scan.filter(pl.col("session") == session).select("record").collect().item(0, 0)
        return catalogue.session_of(json.loads(text))

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
        place = self.stream_place(session, stream)
        if not place.exists():
            raise ArchiveError(f"session {session!r} has no stream {stream!r}", file=place)
        frame = place.scan()
        if channels is not None:
            frame = frame.select([TIME, *channels])
        if start is not None:
            frame = frame.filter(pl.col(TIME) >= windows.literal(windows.nanoseconds(start)))
        if end is not None:
            frame = frame.filter(pl.col(TIME) < windows.literal(windows.nanoseconds(end)))
        return frame

    def across(self, channels: Iterable[str], *, stream: str = "main") -> pl.LazyFrame:
        """Scan a few channels of all sessions: ``session``, ``time`` and the channels.

        A channel that a session does not have is null there.
        """
        wanted = list(channels)
        schema: dict[str, pl.DataType] = {TIME: TIME_DTYPE}
        holding: dict[str, str] = {}
        for name in self.sessions()["session"]:
            have = self.session(name).channels.get(stream)
            if have is None:
                continue
            holding[self.stream_place(name, stream).url] = name
            for channel in {c for c in wanted if c not in schema} & set(have):
                found = self.stream_place(name, stream).scan().collect_schema()
                schema[channel] = found[channel]
        if not holding:
            raise ArchiveError(f"no session has a stream {stream!r}", file=self.place)
        scan = pl.scan_parquet(
            list(holding),
            schema={TIME: TIME_DTYPE} | {c: schema.get(c, pl.Float64()) for c in wanted},
            missing_columns="insert",
            extra_columns="ignore",
            include_file_paths="session",
            glob=False,
            storage_options=self.place.options,
        )
        return scan.select(pl.col("session").replace_strict(holding), TIME, *wanted)

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
                self.stream_place(session, stream), self._overviews(session), stream
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

        For brake states, phases and other words, cut to ``[start, end)``. A
        run ends where the next begins, the last one with the last sample;
        ``value`` is null where the recorder said nothing.
        """
        (stream,) = self._by_stream(self.session(session), [channel])
        low, high = _bounds(start, end)
        files = windows.StreamFiles.find(
            self.stream_place(session, stream), self._overviews(session), stream
        )
        return windows.channel_spans(files, channel, low, high)

    def overview(
        self, session: str, stream: str, channels: Iterable[str], *, block_rows: int = 1024
    ) -> pl.DataFrame:
        """Return least and greatest per block of rows: time, last, <ch>.min, <ch>.max."""
        wanted = [f"{c}.{edge}" for c in channels for edge in ("min", "max")]
        path = self._overviews(session).child(overview_name(stream, block_rows))
        if path.exists():
            return path.scan().select(TIME, "last", *wanted).collect()
        return windows.blocks_of(self.stream_place(session, stream), block_rows).select(
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

    def _overviews(self, session: str) -> Place:
        return self.session_place(session).child(layout.OVERVIEWS)

    def stream_of(self, record: Session, name: str) -> str | None:
        """Return the stream that holds a channel, or None."""
        return next((s for s, names in record.channels.items() if name in names), None)

    def session_place(self, session: str) -> Place:
        """Return where a session's samples lie."""
        return self.place.child(layout.SAMPLES, session)

    def stream_place(self, session: str, stream: str) -> Place:
        """Return where one stream of a session lies."""
        return self.session_place(session).child(f"{stream}.parquet")

    @contextlib.contextmanager
    def staging(self) -> Iterator[Path]:
        """Give a private folder on the archive's own disk; gone afterwards."""
        folder = self.place.folder
        base = Path(tempfile.gettempdir()) if folder is None else folder / layout.STAGING
        with contextlib.ExitStack() as stack:
            with translated(self.place):
                made = stack.enter_context(durable.owned_folder(base))
            yield made

    def copy_raw(self, folder: Path, sources: Sequence[Path]) -> tuple[Path, str]:
        """Copy a log's files below a staging folder; see `publish.copy_raw`."""
        return publish.copy_raw(folder, sources)

    def raw_folder(self, session: Session) -> Path | None:
        """Return the folder of a session's logs as they came; None if not kept on a disk."""
        if session.raw_sha256 is None:
            return None
        return self.place.child(layout.RAW, session.raw_sha256).folder

    def overviews_beside(self, samples: Path) -> OverviewWriter:
        """Make overviews while a stream's file is written; see `publish.overviews_beside`."""
        return publish.overviews_beside(samples)

    def add_session(
        self,
        session: Session,
        streams: Mapping[str, pl.LazyFrame | pl.DataFrame | Path],
        *,
        raw: Path | Sequence[Path] | None = None,
        replace: bool = False,
    ) -> bool:
        """Store a session whole; False when it was there already.

        Parameters
        ----------
        session : Session
            Its record.
        streams : mapping
            By name; a stream given as a path is a Parquet file in `staging`,
            and is moved, with what `overviews_beside` made for it. Nothing is
            read into memory whole.
        raw : Path or sequence of Path, optional
            The log as it came, several files in their reading order, or a
            folder made by `replay.archive.publish.copy_raw` in `staging`.
        replace : bool
            Put this in place of a session of the same name.

        Raises
        ------
        ArchiveError
            When a stream does not hold what the record says, or the disk does
            not take it. Nothing is stored then.

        Notes
        -----
        The catalogue's row is written last, after all files were given to the
        disk: until then there is no session.
        """
        if not replace and self.has_session(session.session):
            return False
        with self.staging() as folder, translated(self.place):
            made, kept = publish.prepare(folder, session, streams, raw)
            with self.tables.writing():
                if not replace and self.has_session(session.session):
                    return False
                if kept is not None and session.raw_sha256:
                    target = self.place.child(layout.RAW, session.raw_sha256)
                    if not target.exists():
                        target.take(kept)
                self.session_place(session.session).take(made)
                self.tables.replace(
                    "sessions", catalogue.row(session), "session", [session.session]
                )
        return True

    # tables and documents ---------------------------------------------------
    def table(self, name: str) -> pl.DataFrame:
        """Return a small table whole; an empty frame when it is not there."""
        return self.tables.read(name)

    def scan_table(self, name: str) -> pl.LazyFrame | None:
        """Scan a table without reading it whole; None when it is not there."""
        return self.tables.scan(name)

    def replace(self, name: str, rows: pl.DataFrame, *, session: Iterable[str]) -> None:
        """Put ``rows`` in place of all rows of these sessions, in one commit."""
        self.tables.replace(name, rows, "session", list(session))

    def append(self, name: str, rows: pl.DataFrame) -> None:
        """Add ``rows`` to a table that only ever grows (`reviews`, `pins`)."""
        self.tables.append(name, rows)

    def write_document(self, name: str, content: bytes) -> None:
        """Write a small named file, whole or not at all."""
        with self.tables.writing():
            self.place.child(layout.DOCUMENTS, name).write(content)
            publish.note_document(self.place, name, content)

    def read_document(self, name: str) -> bytes:
        """Read a document; ArchiveError when it is not there."""
        place = self.place.child(layout.DOCUMENTS, name)
        if not place.exists():
            raise ArchiveError("no such document", file=place)
        return place.read()

    def documents(self, folder: str) -> list[str]:
        """Return the names of the documents below a folder, sorted."""
        names = self.place.child(layout.DOCUMENTS, folder).files()
        return [f"{folder}/{name}" if folder else name for name in names]


def _bounds(start: datetime | None, end: datetime | None) -> tuple[int, int]:
    """Return a window in ns since 1970, as wide as can be where not given."""
    low = -(2**62) if start is None else windows.nanoseconds(start)
    high = 2**62 if end is None else windows.nanoseconds(end)
    return low, high
