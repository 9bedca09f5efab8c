"""Make sessions again from their logs as they came, and compare the bytes.

Each log is taken again, with the map and arm file kept in its session's
record, into a scratch archive in staging. How a log is taken is not this
room's business: the caller hands in the function that does it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, Literal

from replay.archive import layout
from replay.archive.care.verify import check_session, read_session_file
from replay.archive.samples.raw_logs import check_raw, read_raw_list
from replay.archive.store import Archive, open_archive
from replay.errors import ArchiveError, JointbookError
from replay.records import Session

IngestAgain = Callable[[Archive, list[str], Session], list[str]]
"""``(scratch archive, files of the log, old record) -> reasons for refusal``."""


@dataclass(frozen=True, slots=True)
class Rebuilt:
    """What became of one session.

    ``same``: the bytes are those in the archive. ``restored``: the archive's
    were damaged and are back. ``changed``: other bytes were put in, as asked.
    ``differs``: other bytes came out and the archive was left as it is.
    ``lost``: it could not be made again.
    """

    session: str
    outcome: Literal["same", "restored", "changed", "differs", "lost"]
    detail: str = ""


def rebuild(
    archive: Archive,
    ingest_again: IngestAgain,
    *,
    sessions: list[str] | None = None,
    put_in: bool = False,
    progress: Callable[[Iterable[str]], Iterable[str]] = iter,
) -> list[Rebuilt]:
    """Make sessions again from their logs.

    Parameters
    ----------
    archive : Archive
        Where they are.
    ingest_again : callable
        Takes a log into a scratch archive; see `IngestAgain`.
    sessions : list of str, optional
        Only these; all of the catalogue when not given.
    put_in : bool
        Where sound samples differ from what comes out now (another version of
        the program), put the new ones in.
    progress : callable, optional
        Wraps the logs' digests while they are gone through.
    """
    names = archive.sessions()["session"].to_list() if sessions is None else sessions
    results = []
    by_log: dict[tuple[str, str, str], list[Session]] = {}
    for name in names:
        record = archive.session(name)
        if record.raw_sha256 is None:
            results.append(Rebuilt(name, "lost", "its log was not kept"))
            continue
        key = (record.raw_sha256, record.map_toml or "", record.arm_toml or "")
        by_log.setdefault(key, []).append(record)
    keys = {f"{sha256} {number}": key for number, (key, sha256) in enumerate(
        (key, key[0]) for key in by_log
    )}  # fmt: skip
    for label in progress(keys):
        results += _one_log(archive, by_log[keys[label]], ingest_again, put_in)
    return results


def _one_log(
    archive: Archive, records: list[Session], ingest_again: IngestAgain, put_in: bool
) -> list[Rebuilt]:
    sha256 = records[0].raw_sha256 or ""
    with archive.staging() as folder:
        sources = []
        log = archive.place.child(layout.RAW, sha256)
        copies = folder / "log"
        copies.mkdir()
        for item in read_raw_list(log) or []:
            place = log.child(item["file"])
            path = place.folder
            if path is None:
                path = copies / item["file"]
                path.write_bytes(place.read())
            sources.append(str(path))
        scratch = open_archive(folder / "scratch", create=True)
        faults = [f"{f.where}: {f.detail}" for f in check_raw(archive.place, sha256)]
        if faults:
            return [Rebuilt(r.session, "lost", "; ".join(faults)) for r in records]
        try:
            reasons = ingest_again(scratch, sources, records[0]) if sources else ["no log here"]
        except (JointbookError, OSError) as error:
            reasons = [str(error)]
        return [_compare(archive, scratch, record, reasons, put_in) for record in records]


def _compare(
    archive: Archive, scratch: Archive, old: Session, reasons: list[str], put_in: bool
) -> Rebuilt:
    made = read_session_file(scratch.session_place(old.session))
    if made is None or not scratch.has_session(old.session):
        others = scratch.sessions()["session"].to_list()
        why = "; ".join(reasons) or f"the log now makes {', '.join(others) or 'no session'}"
        return Rebuilt(old.session, "lost", why)
    kept = read_session_file(archive.session_place(old.session))
    _, problems = check_session(archive, old.session)
    sound = not problems
    same = kept is not None and _samples(kept) == _samples(made)
    if sound and same:
        return Rebuilt(old.session, "same")
    if sound and not put_in:
        return Rebuilt(old.session, "differs", "--put-in replaces the archive's samples")
    record = scratch.session(old.session)
    streams: dict[str, Any] = {}
    for stream in record.channels:
        path = scratch.stream_place(old.session, stream).folder
        if path is None:
            raise ArchiveError("the scratch archive has gone", file=scratch.place)
        streams[stream] = path
    archive.add_session(record, streams, replace=True)
    if sound:
        return Rebuilt(old.session, "changed", "made by another version of the program")
    detail = "the same bytes" if same or kept is None else "other bytes than were first stored"
    return Rebuilt(old.session, "restored", detail)


def _samples(document: dict[str, Any]) -> dict[str, str]:
    return {
        file: noted["sha256"]
        for file, noted in document["files"].items()
        if not file.startswith(layout.OVERVIEWS)
    }
