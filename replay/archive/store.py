"""Open an archive, add sessions to it, read them back.

Longer than 245 lines because it is the archive's one object, and what its methods promise holds
between them.
"""

from __future__ import annotations

import contextlib
import json
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from difflib import get_close_matches
from functools import lru_cache
from pathlib import Path
from typing import Any

import polars as pl

from replay.archive import catalogue, documents, layout
from replay.archive.disk import durable, publish, swap
from replay.archive.disk.place import DiskPlace, Place, StorePlace, place_of
from replay.archive.disk.seal import unsealed
from replay.archive.marker import read_marker, write_marker
from replay.archive.rolls import Rolls
from replay.archive.samples import raw_logs, windows
from replay.archive.samples.overview import OverviewWriter, overview_name
from replay.archive.samples.pieces import check_columns
from replay.archive.tables import parts
from replay.archive.tables.bounds import Span, microseconds
from replay.archive.tables.tables import REPAIR, Tables, translated
from replay.errors import ArchiveError, DamageError
from replay.records import Session
from replay.units import TIME, TIME_DTYPE, nanoseconds

WITHDRAWN = "withdrawn"
"""Folder of the documents that say why a session was taken out of the catalogue."""

DERIVED = ("flags", "checks", "indicators", "motions")
"""Tables whose rows can be made again from a session's samples."""

_ASKED = (*catalogue.SUMMARY, catalogue.EARLIER)
"""What questions of a few sessions read: the same columns, so that a part is read once."""

_FEW = 100_000
"""Of so many sessions every name is looked at to find those like one that is not there."""

_Held = tuple[Session, Mapping[str, Any]]


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

    Returns
    -------
    Archive
        The archive, open for reading and writing.

    Raises
    ------
    ArchiveError
        When there is no archive, or one of another schema version.
    """
    root = place_of(path, storage_options)
    marker = root.child(layout.MARKER)
    if not marker.exists() and not root.child(layout.COPIES, layout.MARKER).exists():
        if not create or root.child(layout.TABLES).names():
            raise ArchiveError(
                "there is no archive here", file=root, todo="run `jointbook ingest` or `demo` first"
            )
        with translated(root):
            write_marker(root, layout.SCHEMA_VERSION, ())
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
    archive = Archive(root)
    if root.folder is not None and swap.begun(root.folder).exists():
        with contextlib.suppress(ArchiveError), archive.tables.writing():
            pass  # whoever takes the turn to write ends what was begun
    return archive


def schema_version(root: Place) -> int:
    """Return the schema version that an archive's marker, or its copy, states."""
    found = read_marker(root)
    if found is None:
        raise ArchiveError(
            "the marker does not state a schema version, nor does its copy",
            file=root.child(layout.MARKER),
            todo="`jointbook archive repair` writes it again from what lies here",
        )
    return found.version


class Archive:
    """A folder or object store of sessions and what was concluded from them."""

    def __init__(self, place: DiskPlace | StorePlace) -> None:
        self.place = place
        self.tables = Tables(place)
        self.rolls = Rolls(place, self.tables)
        self._records: tuple[int | None, dict[str, _Held]] = (None, {})
        self._earlier: tuple[int | None, dict[str, tuple[str, ...]]] = (None, {})
        self.attached: dict[str, object] = {}
        """What later rooms keep for as long as this archive is open, by their name."""

    def __reduce__(self) -> tuple[Any, ...]:
        """Travel to another process as an address; that one opens it once."""
        options = self.place.options
        return _opened_here, (self.place.url, tuple(sorted((options or {}).items())))

    @property
    def exchanges(self) -> bool:
        """Whether one stored session can take another's place: not on an object store."""
        return self.place.folder is not None

    @property
    def root(self) -> Path:
        """The archive's folder; for an object store, its URL in path's clothing."""
        return self.place.folder or Path(self.place.url)

    # sessions ---------------------------------------------------------------
    def sessions(self) -> pl.DataFrame:
        """Return the catalogue, one row a session, oldest first."""
        return self.tables.arranged("sessions", catalogue.SUMMARY, catalogue.oldest_first)

    def count(self) -> int:
        """Return how many sessions the catalogue lists, by the list of its parts.

        One that two machines stored on an object store at the same moment counts twice.
        """
        return sum(b.rows for b in self.tables.bounds("sessions", _ASKED))

    def within(
        self,
        *,
        arm: str | None = None,
        begins: tuple[datetime | None, datetime | None] = (None, None),
        ends: tuple[datetime | None, datetime | None] = (None, None),
    ) -> pl.DataFrame:
        """Return the catalogue's rows of an arm or a time, oldest first; little else is read.

        Parameters
        ----------
        arm : str, optional
            The arm's name.
        begins, ends : (datetime or None, datetime or None)
            Between which instants, both included, a session starts, and ends.
        """
        spans: dict[str, Span] = {"start": _span(begins), "end": _span(ends), "arm": (arm, arm)}
        asked = {column: span for column, span in spans.items() if span != (None, None)}
        found = self.tables.within("sessions", _ASKED, asked)
        return catalogue.oldest_first(found.select(catalogue.SUMMARY))

    def newest(self, count: int, *, until: datetime | None = None) -> pl.DataFrame:
        """Return the rows of the ``count`` sessions that start last, newest first.

        With ``until`` of those that start then or earlier.
        """
        by, span = ("start", "session"), _span((None, until))
        found = self.tables.at_an_end("sessions", _ASKED, by, count, last=True, span=span)
        return found.select(catalogue.SUMMARY)

    def next_after(self, since: datetime, count: int) -> pl.DataFrame:
        """Return the rows of the first ``count`` sessions from then on, oldest first."""
        by, span = ("start", "session"), _span((since, None))
        found = self.tables.at_an_end("sessions", _ASKED, by, count, last=False, span=span)
        return found.select(catalogue.SUMMARY)

    def rows_of(
        self, name: str, sessions: Iterable[str], *, units: Iterable[str] | None = None
    ) -> pl.DataFrame:
        """Return a table's rows of some sessions; parts without names like theirs are not read.

        Whoever knows, or asks, of which joint units alone a table of `parts.BY_UNIT` has rows
        of them says so in ``units``: then parts of other units are not read.
        """
        near = None if units is None else {"serial": sorted({"", *units})}
        return self.tables.among(name, None, {"session": list(sessions)}, near)

    def rows_of_units(
        self, name: str, units: Iterable[str], columns: tuple[str, ...] | None = None
    ) -> pl.DataFrame:
        """Return the rows of some joint units, over all sessions; little else is read.

        Parameters
        ----------
        name : str
            A table of `parts.BY_UNIT`.
        units : iterable of str
            Their keys, as in the column ``serial``.
        columns : tuple of str, optional
            All by default; ``serial`` is among them.
        """
        return self.tables.among(name, columns, {"serial": list(units)})

    def roll(self, name: str) -> pl.DataFrame:
        """Return which sessions a table of `parts.BY_UNIT` has rows of, and under which units.

        Columns ``session``, ``start_us`` and ``told``, see `rolls`; the table is not read.
        """
        return self.rolls.get(name)

    def units_since(self, name: str, mark: str) -> set[str] | None:
        """Return the units of which a table's rows came or went since a mark of it.

        ``mark`` is what `Tables.mark` gave; None where that can no longer be told.
        """
        since = self.tables.about_since(name, mark)[1]
        return None if since is None else {unit for about in since for unit in about.units}

    def has_session(self, session: str) -> bool:
        """Tell whether the catalogue knows this session."""
        span = {"session": (session, session)}
        return self.tables.within("sessions", _ASKED, span).height > 0

    def session(self, session: str) -> Session:
        """Return one session's record; ArchiveError when it is not there."""
        return self._held(session)[0]

    def earlier(self) -> dict[str, tuple[str, ...]]:
        """Return the names that sessions had before they were completed, the last one first."""
        version = self.tables.version("sessions")
        if self._earlier[0] != version:
            rows = self.tables.filled("sessions", _ASKED, catalogue.EARLIER)
            had = rows.select("session", catalogue.EARLIER).rows()
            self._earlier = version, {name: tuple(names.split("/")) for name, names in had}
        return self._earlier[1]

    def earlier_of(self, session: str) -> tuple[str, ...]:
        """Return the names that one session had before it was completed, the last one first.

        Of few sessions all such names are read once: whoever asks of one asks of the next.
        """
        if self._earlier[0] == self.tables.version("sessions") or self.count() <= _FEW:
            return self.earlier().get(session, ())
        rows = self.tables.within("sessions", _ASKED, {"session": (session, session)})
        had = rows[catalogue.EARLIER].drop_nulls()
        return tuple(had[0].split("/")) if had.len() else ()

    def _near(self, session: str) -> list[str]:
        """Return the names like one that is not there; where there are many, those of its day."""
        if self.count() <= _FEW:
            names = self.sessions()["session"].to_list()
        else:
            day = (session[:8], session[:8] + "\U0010ffff")
            rows = self.tables.within("sessions", ("session",), {"session": day})
            names = rows["session"].head(_FEW).to_list()
        return get_close_matches(session, names, cutoff=0.5)

    def _held(self, session: str) -> _Held:
        """Return a session's record and its files' digests."""
        version = self.tables.version("sessions")
        if self._records[0] != version:
            self._records = (version, {})
        records = self._records[1]
        if session not in records:
            if not self.has_session(session):
                near = self._near(session)
                todo = "`jointbook sessions` and the library page list what there is"
                todo = f"nearest: {', '.join(near)}" if near else todo
                for now, had in self.earlier().items():
                    if session in had:
                        todo = f"its log went on, and it is now {now}"
                raise ArchiveError(f"no session {session!r}", file=self.place, todo=todo)
            records[session] = self._read_record(session)
        return records[session]

    def _read_record(self, session: str) -> _Held:
        beside = self.session_place(session).child(layout.RECORD)
        document = None
        with contextlib.suppress(OSError):
            document = unsealed(beside.read())
        if document is None:
            document = self.listed_document(session)
        record = catalogue.session_of(document.get("record", document))
        return record, document.get(catalogue.FILES) or {}

    def listed_document(self, session: str) -> dict[str, Any]:
        """Return a session's record as the catalogue has it, with its files' digests."""
        rows = self.tables.pick("sessions", "session", session)
        if not rows.height:
            raise ArchiveError(f"the catalogue has no session {session!r}", file=self.place)
        found = rows["record"]
        return dict(json.loads(found[0]))

    def listed_record(self, session: str) -> Session:
        """Return a session's record as the catalogue has it, whatever its folder says."""
        return catalogue.session_of(self.listed_document(session))

    def _check(
        self, session: str, file: str, columns: Iterable[str] | None, low: int, high: int
    ) -> None:
        """Compare what a reader will see of a session's file with what was written."""
        noted = self._held(session)[1].get(file)
        if noted is not None:
            place = self.session_place(session).child(*file.split("/"))
            check_columns(place, noted, columns, low, high)

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
            if f"{stream}.parquet" in self._held(session)[1]:
                raise DamageError("its file has gone", file=place, todo=REPAIR)
            raise ArchiveError(f"session {session!r} has no stream {stream!r}", file=place)
        wanted = None if channels is None else [TIME, *channels]
        self._check(session, f"{stream}.parquet", wanted, *_bounds(start, end))
        frame = place.scan()
        if wanted is not None:
            frame = frame.select(wanted)
        if start is not None:
            frame = frame.filter(pl.col(TIME) >= windows.literal(nanoseconds(start)))
        if end is not None:
            frame = frame.filter(pl.col(TIME) < windows.literal(nanoseconds(end)))
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
            self._check(name, f"{stream}.parquet", [TIME, *wanted], *_bounds(None, None))
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
        *,
        stream: str | None = None,
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
        stream : str, optional
            Read this stream, where several have a channel.

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
        by_stream = self._by_stream(record, wanted) if stream is None else {stream: wanted}
        for held, names in by_stream.items():
            files = self._files(session, held)
            points |= windows.window_points(files, names, low, high, max_points)
        return {name: points[name] for name in wanted}

    def spans(
        self,
        session: str,
        channel: str,
        start: datetime | None = None,
        end: datetime | None = None,
        *,
        stream: str | None = None,
    ) -> pl.DataFrame:
        """Return the runs of one channel: ``start``, ``end``, ``value``.

        For brake states, phases and other words, cut to ``[start, end)``. A
        run ends where the next begins, the last one with the last sample;
        ``value`` is null where the recorder said nothing. ``stream`` says which
        of several streams is read.
        """
        if stream is None:
            (stream,) = self._by_stream(self.session(session), [channel])
        low, high = _bounds(start, end)
        return windows.channel_spans(self._files(session, stream), channel, low, high)

    def _files(self, session: str, stream: str) -> windows.StreamFiles:
        """Return where a stream lies, each file to be compared before it is read."""

        def compared(file: str, columns: Iterable[str] | None, low: int, high: int) -> None:
            self._check(session, file, columns, low, high)

        return windows.StreamFiles.find(
            self.stream_place(session, stream), self._overviews(session), stream, compared
        )

    def overview(
        self, session: str, stream: str, channels: Iterable[str], *, block_rows: int = 1024
    ) -> pl.DataFrame:
        """Return least and greatest per block of rows: time, last, <ch>.min, <ch>.max."""
        wanted = [f"{c}.{edge}" for c in channels for edge in ("min", "max")]
        name = overview_name(stream, block_rows)
        path = self._overviews(session).child(name)
        if path.exists():
            columns = [TIME, "last", *wanted]
            self._check(session, f"{layout.OVERVIEWS}/{name}", columns, *_bounds(None, None))
            return path.scan().select(TIME, "last", *wanted).collect()
        self._check(session, f"{stream}.parquet", None, *_bounds(None, None))
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

    def raw_files(self, session: str) -> list[tuple[dict[str, Any], Path | bytes]]:
        """Return a session's log as it came: what is noted of each file, and where it lies.

        Returns
        -------
        list
            In reading order, ``file``, ``sha256`` and ``bytes`` of each beside its path,
            or its content on an object store; empty when the log was not kept or has gone.

        Raises
        ------
        ArchiveError
            When a byte of it is not what was written.
        """
        sha256 = self.session(session).raw_sha256
        if sha256 is None:
            return []
        place = raw_logs.raw_place(self.place, sha256)
        if not place.exists():
            return []
        if faults := raw_logs.check_raw(self.place, sha256):
            raise DamageError(
                f"the log as it came: {faults[0].detail}", file=place, todo=faults[0].remedy
            )
        listed = raw_logs.read_raw_list(place) or []
        return [(item, _handed(place.child(item["file"]))) for item in listed]

    def sample_file(self, session: str, stream: str) -> Path | bytes:
        """Return one stream's file whole, compared: its path, or its content on a store.

        Raises
        ------
        ArchiveError
            When there is none, or a byte of it is not what was written.
        """
        self.samples(session, stream=stream)
        return _handed(self.stream_place(session, stream))

    def digests(self, session: str) -> dict[str, str]:
        """Return the SHA-256 of each file of a session's samples and overviews."""
        return {file: str(noted["sha256"]) for file, noted in self._held(session)[1].items()}

    def raw_begins(self, session: Session, path: Path) -> bool:
        """Tell whether a session's log is the beginning of a longer file."""
        sha256 = session.raw_sha256
        return sha256 is not None and raw_logs.begins(self.place, sha256, path)

    def mend_raw(self, session: str, sources: Sequence[Path]) -> bool:
        """Put a session's log back from its very files, where it is damaged or has gone.

        Returns
        -------
        bool
            Whether there was something to mend, and these files did.

        Raises
        ------
        ArchiveError
            When the archive cannot be written.
        """
        sha256 = self.session(session).raw_sha256
        if sha256 is None or raw_logs.is_sound(self.place, sha256):
            return False
        with self.staging() as folder, translated(self.place):
            kept = raw_logs.copied(folder, sources, sha256)
            if kept is None:
                return False
            with self.tables.writing():
                target = raw_logs.raw_place(self.place, sha256)
                if self.place.folder is None:
                    target.take(kept)  # of the same digest: nothing sound is lost in between
                else:
                    self._put(kept, target)
        return True

    def logs_of(self, session: Session) -> list[Path]:
        """Return a session's logs as they came, in reading order; none if not kept on a disk."""
        folder = self.raw_folder(session)
        if folder is None or session.raw_sha256 is None:
            return []
        listed = raw_logs.read_raw_list(raw_logs.raw_place(self.place, session.raw_sha256)) or []
        return [folder / str(item["file"]) for item in listed]

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
        instead_of: str | None = None,
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
            folder made by `replay.archive.disk.publish.copy_raw` in `staging`.
        replace : bool
            Put this in place of a session of the same name, which goes to ``set-aside/``.
        instead_of : str, optional
            A stored session that this one completes: the same commit that lists
            this one takes that one out of the catalogue, and its files go to
            ``set-aside/``.

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
        gone = [] if instead_of is None else [instead_of]
        if gone and not self.exchanges:
            raise ArchiveError(
                "a session does not take another's place on an object store, which cannot "
                "exchange two folders in one step",
                file=self.place,
                todo="copy the archive to a disk and do it there",
            )
        earlier = [*gone, *self.earlier_of(instead_of or session.session)]
        with self.staging() as folder, translated(self.place):
            made, kept, document = publish.prepare(folder, session, streams, raw, earlier)
            with self.tables.writing():
                if not replace and self.has_session(session.session):
                    return False
                if kept is not None and session.raw_sha256:
                    target = self.place.child(layout.RAW, session.raw_sha256)
                    if not target.exists():
                        self._put(kept, target)
                self._forget_other_units(session)
                self._put(made, self.session_place(session.session))
                row = catalogue.row(session, document)
                self.tables.replace("sessions", row, "session", [session.session, *gone])
                for name in gone:
                    self._retire(name)
        return True

    def withdraw(self, session: str, *, reason: str, by: str = "") -> None:
        """Take a session out of the catalogue, with what is derived from it; keep its files.

        They go to ``set-aside/``, and why and by whom stays as a document. What
        people decided about it is not touched.

        Raises
        ------
        ArchiveError
            When there is no such session, or on an object store.
        """
        if self.place.folder is None:
            raise ArchiveError("a session is withdrawn on a disk only", file=self.place)
        self.session(session)
        with self.tables.writing():
            said = {"reason": reason, "by": by, "at": datetime.now(UTC).isoformat()}
            self.write_document(f"{WITHDRAWN}/{session}.json", json.dumps(said).encode())
            self.tables.replace("sessions", pl.DataFrame(), "session", [session])
            self._retire(session)

    def _put(self, made: Path, place: Place) -> None:
        """Put a finished folder in its place; what was there goes to ``set-aside/``."""
        root, target = self.place.folder, place.folder
        if root is not None and target is not None:
            swap.put_in_place(root, made, target)
        elif place.exists():
            raise ArchiveError(
                "a stored session is not replaced on an object store, which cannot exchange "
                "two folders in one step",
                file=place,
                todo="copy the archive to a disk and do it there",
            )
        else:
            place.take(made)

    def _forget_other_units(self, session: Session) -> None:
        """Drop what is kept of a stored session under units that a new record does not name.

        First of all: then each row of a session stands under a unit that its record names.
        """
        if not (self.exchanges and self.has_session(session.session)):
            return
        if self.session(session.session).unit_keys <= session.unit_keys:
            return
        for name in parts.BY_UNIT:
            if self.tables.version(name) is not None:
                self.tables.replace(name, pl.DataFrame(), "session", [session.session])

    def _retire(self, session: str) -> None:
        """Take what is derived from a session that another has completed out of the way."""
        for name in self.tables.names():
            if name in DERIVED and self.tables.version(name) is not None:
                self.tables.replace(name, pl.DataFrame(), "session", [session])
        root, folder = self.place.folder, self.session_place(session).folder
        if root is not None and folder is not None and folder.exists():
            swap.set_aside(root, folder)

    # tables and documents ---------------------------------------------------
    def table(self, name: str) -> pl.DataFrame:
        """Return a small table whole; an empty frame when it is not there."""
        return self.tables.read(name)

    def scan_table(self, name: str) -> pl.LazyFrame | None:
        """Scan a table without reading it whole; None when it is not there."""
        return self.tables.scan(name)

    def replace(
        self,
        name: str,
        rows: pl.DataFrame,
        *,
        session: Iterable[str],
        units: Iterable[str] | None = None,
    ) -> None:
        """Put ``rows`` in place of all rows of these sessions, in one commit.

        Whoever knows of which joint units alone a table of `parts.BY_UNIT` has rows of them
        says so in ``units``: then parts of other units are not looked through.
        """
        near = None if units is None else {"serial": sorted({"", *units})}
        self.tables.replace(name, rows, "session", list(session), near)

    def append(self, name: str, rows: pl.DataFrame) -> None:
        """Add ``rows`` to a table that only ever grows (`reviews`, `pins`)."""
        self.tables.append(name, rows)

    def write_document(self, name: str, content: bytes) -> None:
        """Write a small named file, whole or not at all, and keep it twice."""
        with self.tables.writing():
            documents.write_document(self.place, name, content)

    def read_document(self, name: str) -> bytes:
        """Read a document as it was written; ArchiveError when it is not there or damaged."""
        return documents.read_document(self.place, name)

    def document_stamp(self, name: str) -> tuple[int, ...]:
        """Return what changes when a document is written anew: who keeps it asks for this first."""
        return documents.stamp(self.place, name)

    def documents(self, folder: str) -> list[str]:
        """Return the names of the documents below a folder, sorted."""
        return documents.names(self.place, folder)


@lru_cache(maxsize=8)
def _opened_here(url: str, options: tuple[tuple[str, str], ...]) -> Archive:
    return open_archive(url, storage_options=dict(options) or None)


def _handed(place: Place) -> Path | bytes:
    return place.folder if place.folder is not None else place.read()


def _span(edges: tuple[datetime | None, datetime | None]) -> Span:
    low, high = (None if edge is None else microseconds(edge) for edge in edges)
    return low, high


def _bounds(start: datetime | None, end: datetime | None) -> tuple[int, int]:
    """Return a window in ns since 1970, as wide as can be where not given."""
    low = -(2**62) if start is None else nanoseconds(start)
    high = 2**62 if end is None else nanoseconds(end)
    return low, high
