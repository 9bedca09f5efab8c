"""From a bundle's members to an archive again, in a folder that is thrown away."""

from __future__ import annotations

import json
from pathlib import Path

import polars as pl

from replay.archive import Archive, open_archive
from replay.archive.catalogue import session_of
from replay.checks import CheckResult, check
from replay.cleaning import ingest
from replay.records import Session
from replay.reports.bundle.container import BundleError, Members, refuse_odd_name

DOCUMENTS = "documents/"


def record_of(found: Members) -> Session:
    """Return the session's record; its names are made sure to be no paths."""
    try:
        record = session_of(json.loads(found.read("session.json")))
        names = [record.session, *record.channels]
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise BundleError("the session's record is not one", file=found.path) from None
    for name in names:
        if not isinstance(name, str) or "/" in name:
            raise BundleError(f"{str(name)[:100]!r} is not a name", todo="do not unpack this file")
        refuse_odd_name(name)
    return record


def rebuilt(found: Members, folder: Path) -> Archive:
    """Return an archive that holds what the bundle does: one session and its baseline."""
    record = record_of(found)
    archive = open_archive(folder / "archive", create=True)
    with archive.staging() as waiting:
        streams = {
            stream: found.take(f"cleaned/{stream}.parquet", waiting / f"{number}.parquet")
            for number, stream in enumerate(sorted(record.channels))
        }
        archive.add_session(record, streams)
    for name in found.names:
        if name.startswith(DOCUMENTS):
            archive.write_document(name.removeprefix(DOCUMENTS), found.read(name))
    return archive


def recheck(found: Members, folder: Path, baseline: str) -> CheckResult:
    """Return what a check of the bundle's session by the bundle's baseline finds now."""
    archive = rebuilt(found, folder)
    return check(archive, record_of(found).session, baseline, save=False)


def cleaned_differs(found: Members, folder: Path) -> list[str]:
    """Read the log as it came once more; say how its samples differ from those kept."""
    record = record_of(found)
    logs = folder / "logs"
    logs.mkdir()
    sources = []
    for item in json.loads(found.read("raw/raw.json"))["files"]:
        refuse_odd_name(str(item["file"]))
        sources.append(found.take(item["member"], logs / str(item["file"]).replace("/", "_")))
    archive = open_archive(folder / "archive", create=True)
    result = ingest(archive, sources, log_map=record.map_toml, arm=record.arm_toml)
    if result.refused:
        return [f"{r.source.rsplit('/', 1)[-1]}: {r.reason}" for r in result.refused]
    if [s.session for s in result.sessions] != [record.session]:
        made = ", ".join(s.session for s in result.sessions)
        return [f"the log makes {made or 'no session'}, not {record.session}"]
    unlike = []
    for stream in sorted(record.channels):
        kept = pl.scan_parquet(found.take(f"cleaned/{stream}.parquet", folder / "kept.parquet"))
        unlike += _unlike(stream, kept, archive.samples(record.session, stream=stream))
    return unlike


def _unlike(stream: str, kept: pl.LazyFrame, now: pl.LazyFrame) -> list[str]:
    """Compare a stream column by column, so that a long one needs little memory."""
    names, others = kept.collect_schema().names(), now.collect_schema().names()
    if names != others:
        return [f"{stream}: the columns are {', '.join(others)}, kept are {', '.join(names)}"[:500]]
    rows, there = (int(f.select(pl.len()).collect().item()) for f in (kept, now))
    if rows != there:
        return [f"{stream}: {there:,} rows, kept are {rows:,}"]
    return [
        f"{stream}: {name} differs"
        for name in names
        if not kept.select(name).collect().equals(now.select(name).collect())
    ]
