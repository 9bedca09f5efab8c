"""What goes into a bundle: the whole chain from the log as it came to the signature."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

import polars as pl

from replay.archive import Archive
from replay.archive.catalogue import record_text
from replay.csv_cells import csv_bytes, shown_only
from replay.errors import UsageError
from replay.record import copies
from replay.record.entries import stamp
from replay.records import Session
from replay.reports.bundle.container import BundleError, Content
from replay.reports.bundle.flag_text import flag_rows
from replay.reports.provenance import baseline_document
from replay.reports.rendering import ReportError
from replay.reports.session_report import session_report
from replay.reviews import Finding, dispositions, findings, history, pins
from replay.wear import maintenance

AROUND = timedelta(seconds=10)
"""What a finding's table of samples has before and after it."""

TIME_FORMAT = "%Y-%m-%dT%H:%M:%S%.9fZ"


@dataclass(frozen=True, slots=True)
class Part:
    """One file of a bundle to be."""

    name: str
    content: Content
    about: str


def parts(
    archive: Archive, session: str, finding: Finding | None, folder: Path, notes: list[str]
) -> Iterator[Part]:
    """Give every file of a bundle but README and manifest; large ones wait in ``folder``.

    What could not be put in is said in ``notes``.
    """
    record = archive.session(session)
    yield Part("session.json", record_text(record).encode(), "the session's record")
    for what, text in (("log map", record.map_toml), ("arm file", record.arm_toml)):
        if text:
            yield Part(
                f"{what.replace(' ', '-')}.toml", text.encode(), f"the {what} it was read by"
            )
        else:
            notes.append(f"no {what} is kept with the session")
    yield from _raw(archive, record, folder, notes)
    yield from _cleaned(archive, record, finding, folder)
    yield from _judged(archive, session, finding, notes)
    yield from _record(archive, record)
    yield from _report(archive, session, finding, notes)


def _raw(archive: Archive, record: Session, folder: Path, notes: list[str]) -> Iterator[Part]:
    if record.raw_sha256 is None:
        notes.append("the log as it came was not kept")
        return
    files = archive.raw_files(record.session)
    if not files:
        notes.append("the log as it came is not in the archive any more")
        return
    shown = []
    for number, (item, content) in enumerate(files, 1):
        name = f"raw/{number}-{_plain(item['file'])}"
        shown.append(item | {"member": name})
        yield Part(name, content, f"the log as it came, file {number}, byte for byte")
    yield Part("raw/raw.json", _json({"files": shown}), "the log's files in their reading order")


def _cleaned(
    archive: Archive, record: Session, finding: Finding | None, folder: Path
) -> Iterator[Part]:
    for stream in sorted(record.channels):
        yield Part(
            f"cleaned/{stream}.parquet",
            archive.sample_file(record.session, stream),
            "the cleaned samples of the whole session, which the flags are computed from",
        )
        span = archive.samples(record.session, stream=stream)
        about = "the cleaned samples of the whole session, as text"
        if finding is not None:
            span = archive.samples(
                record.session,
                stream=stream,
                start=finding.start - AROUND,
                end=finding.end + AROUND,
            )
            about = f"the cleaned samples from 10 s before finding {finding.finding} to 10 s after"
        path = folder / f"{_plain(stream)}.csv"
        shown_only(span).sink_csv(path, datetime_format=TIME_FORMAT)
        yield Part(f"cleaned/{stream}.csv", path, about)


def _judged(
    archive: Archive, session: str, finding: Finding | None, notes: list[str]
) -> Iterator[Part]:
    checks = archive.table("checks")
    own = checks.filter(pl.col("session") == session) if checks.height else checks
    if not own.height:
        raise UsageError(
            f"session {session!r} was not checked", todo=f"`jointbook check {session}` first"
        )
    check = own.sort("checked_at").row(-1, named=True)
    check["checked_at"] = stamp(check["checked_at"])
    yield Part("check.json", _json(check), "the check: its baseline, hours judged, its notes")
    document = baseline_document(archive, check["baseline"])
    if document is None:
        raise BundleError(
            f"baseline {check['baseline']!r} is not in the archive",
            todo="check the session again, with a baseline that is",
        )
    name, content = document
    yield Part(f"documents/{name}", content, "the baseline the session was judged by")
    found = findings(archive, session)
    held = dispositions(archive, session)
    flags = flag_rows(f for one in found for f in one.flags)
    yield Part("flags.json", _json(flags), "every flag of the check, to the last digit")
    told = [
        {
            "finding": f.finding,
            "subject_of_this_bundle": finding is None or f.finding == finding.finding,
            "flags": [flag.flag for flag in f.flags],
            "joints": list(f.joints),
            "units": list(f.units),
            "kind": f.kind,
            "severity": f.severity,
            "score": f.score,
            "start": stamp(f.start),
            "end": stamp(f.end),
            "summary": f.summary,
            "entry_of_its_disposition": held[f.finding].seq if f.finding in held else None,
        }
        for f in found
    ]
    yield Part("findings.json", _json(told), "flags of one cause together, and what was decided")


def _record(archive: Archive, record: Session) -> Iterator[Part]:
    entries = history(archive, record.session)
    yield Part(
        "record/entries.parquet",
        copies.parquet(entries),
        "the same, as it is hashed: each row's hash covers the row",
    )
    rows = pl.read_parquet(copies.parquet(entries)).to_dicts()
    about = "what people put on record about the session, to be read"
    yield Part("record/entries.json", _json(rows), about)
    pinned = pins(archive, record.session)
    yield Part("record/pins.csv", csv_bytes(pinned), "notes pinned to instants")
    units = [record.unit(joint) for joint in record.joints]
    notes = maintenance(archive).filter(pl.col("serial").is_in(units))
    yield Part("record/maintenance.csv", csv_bytes(notes), "work done on the units")


def _report(
    archive: Archive, session: str, finding: Finding | None, notes: list[str]
) -> Iterator[Part]:
    made = session_report(archive, session)
    yield Part("report.html", made.html.encode(), "the session's report")
    try:
        yield Part("report.pdf", made.pdf(), "the same report for paper")
    except ReportError as error:
        notes.append(f"no PDF: {error.sentence()}")
    number = None
    if finding is not None:
        number = 1 + [f.finding for f in findings(archive, session)].index(finding.finding)
    for name, drawing in made.drawings:
        if number is None or not name.startswith("finding-") or name.split("-")[1] == str(number):
            yield Part(f"figures/{name}", drawing.encode(), "a figure of the report")


def _plain(name: str) -> str:
    """Return a file name without what no zip member may have in it."""
    return re.sub(r"[/\\:\x00-\x1f\x7f]", "_", name).strip(". ") or "log"


def _json(value: Any) -> bytes:
    return json.dumps(value, indent=1, sort_keys=True, ensure_ascii=False).encode() + b"\n"
