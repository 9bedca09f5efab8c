"""What a session's sign-off states: which check, how complete, what was not judged.

A statement has a mark. Who signs names the mark of the statement that they
read, so that nobody signs what has changed in between.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

import orjson
import polars as pl

from replay.archive import Archive
from replay.archive.completeness import least_complete, share_words
from replay.errors import UsageError
from replay.record.entries import stamp
from replay.records import Flag
from replay.reviews.findings import Finding, findings


@dataclass(frozen=True, slots=True)
class Statement:
    """What a session's sign-off rests on, stated beside the signature.

    Hours are joint-hours: of all joints together. ``unjudged_joint_h`` is what
    was logged and not judged, whatever the reason; ``note`` has the reasons.
    ``completeness`` is of the rows, None where it is not known; a joint may
    lack more: ``least_joint`` is the one that lacks most, with its share.
    """

    session: str
    baseline: str
    checked_at: datetime
    completeness: float | None
    logged_joint_h: float
    judged_joint_h: float
    unjudged_joint_h: float
    asked_rate: float
    expected_false_flags: float
    findings: int
    flags_sha256: str
    note: str
    least_joint: str = ""
    least_share: float | None = None

    @property
    def notes(self) -> tuple[str, ...]:
        """The notes of the check; what several joints share is said once."""
        return said_once(self.note)

    @property
    def expected_words(self) -> str:
        """How many false flags to expect, with the rate where it is not the one asked for."""
        said = f"{self.expected_false_flags:.2g} to be expected here"
        hours = self.judged_joint_h
        shown = 100 * self.expected_false_flags / hours if hours else 0.0
        if shown <= 1.05 * self.asked_rate:
            return said
        return f"{said}, for training showed {shown:.2g} per 100 joint-hours"

    @property
    def mark(self) -> str:
        """Eight letters that change when anything in the statement does."""
        return hashlib.sha256(orjson.dumps(plain(self))).hexdigest()[:8]


def said_once(note: str) -> tuple[str, ...]:
    """Return a check's notes, those that name a joint each and are else alike as one.

    >>> said_once("J1: 6 s not judged; J2: 6 s not judged; no promise")
    ('J1, J2: 6 s not judged', 'no promise')
    """
    joints: dict[str, list[str]] = {}
    for part in (p for p in note.split("; ") if p):
        joint, colon, words = part.partition(": ")
        if colon and " " not in joint:
            joints.setdefault(words, []).append(joint)
        else:
            joints.setdefault(part, [])
    return tuple(f"{', '.join(j)}: {w}" if j else w for w, j in joints.items())


def statement(archive: Archive, session: str) -> Statement:
    """Return what a sign-off of the session as it is now would state.

    Parameters
    ----------
    archive : Archive
    session : str
        Name of a session in the archive.

    Returns
    -------
    Statement
        What would be signed.

    Raises
    ------
    UsageError
        It was not checked yet.
    """
    record = archive.session(session)
    checks = archive.table("checks")
    found = checks.filter(pl.col("session") == session) if checks.height else checks
    if not found.height:
        raise UsageError(
            f"session {session!r} was not checked", todo=f"`jointbook check {session}` first"
        )
    row = found.sort("checked_at").row(-1, named=True)
    logged = len(record.joints) * (record.end - record.start).total_seconds() / 3600
    judged = float(row["joint_hours"] or 0.0)
    there = findings(archive, session)
    joint, share = least_complete(archive, session) or ("", None)
    return Statement(
        session=session,
        baseline=row["baseline"] or "",
        checked_at=row["checked_at"],
        completeness=record.completeness,
        logged_joint_h=round(logged, 6),
        judged_joint_h=round(judged, 6),
        unjudged_joint_h=round(max(0.0, logged - judged), 6),
        asked_rate=float(row["asked_rate"] or 0.0),
        expected_false_flags=float(row["expected_false_flags"] or 0.0),
        findings=len(there),
        flags_sha256=flags_digest(there),
        note=row["note"] or "",
        least_joint=joint,
        least_share=None if share is None else round(share, 6),
    )


def flags_digest(found: tuple[Finding, ...]) -> str:
    """Return a digest of all flags of findings, whatever their order."""
    rows = sorted(flag_text(f) for one in found for f in one.flags)
    return hashlib.sha256("\n".join(rows).encode()).hexdigest()


def plain(stated: Statement) -> dict[str, Any]:
    """Return a statement as it goes on record."""
    return asdict(stated) | {"checked_at": stamp(stated.checked_at)}


def completeness_words(stated: Statement) -> str:
    """Say how complete the log is: of the rows, and at the joint that lacks most.

    Parameters
    ----------
    stated : Statement

    Returns
    -------
    str
        Part of a sentence.
    """
    share = stated.least_share
    least = None if share is None else (stated.least_joint, share)
    return share_words(stated.completeness, least)


def restored(content: dict[str, Any]) -> Statement:
    """Return a statement from what is on record."""
    return Statement(**content | {"checked_at": datetime.fromisoformat(content["checked_at"])})


def flag_text(flag: Flag) -> str:
    """Return a flag as the text that is signed: every digit of it, keys in order."""
    row = asdict(flag) | {"start": stamp(flag.start), "end": stamp(flag.end)}
    return json.dumps(row, sort_keys=True)
