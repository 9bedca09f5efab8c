"""Sign-off of a session: who signed what, on which check, with what left open.

A signature holds a copy of everything it was given on: the statement, the
findings with their flags, and which dispositions held. So a later check, of
whatever baseline, changes nothing that was signed.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any, Literal

import orjson
import polars as pl

from replay.archive import Archive
from replay.checks import lost_flags
from replay.errors import StaleError, UsageError
from replay.record import Draft, Entry, Record, clean_name, clean_text, open_record, same_person
from replay.record.closed import FIRST, REOPENED, SIGN_OFF, SIGNED
from replay.record.entries import stamp
from replay.reviews.findings import Finding, findings, findings_of
from replay.reviews.settings import second_reviewer_needed
from replay.reviews.states import session_after
from replay.reviews.verdicts import disposition_in_force

KIND = SIGN_OFF


@dataclass(frozen=True, slots=True)
class Statement:
    """What a session's sign-off rests on, stated beside the signature.

    Hours are joint-hours: of all joints together. ``unjudged_joint_h`` is what
    was logged and not judged, whatever the reason; ``note`` has the reasons.
    ``completeness`` is None where it is not known.
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

    @property
    def mark(self) -> str:
        """Eight letters that change when anything in the statement does."""
        return hashlib.sha256(orjson.dumps(_plain(self))).hexdigest()[:8]


@dataclass(frozen=True, slots=True)
class Signature:
    """One person's name under a statement."""

    by: str
    at: datetime
    remark: str
    seq: int


@dataclass(frozen=True, slots=True)
class SignOff:
    """A session's sign-off as it stands, or stood.

    ``state`` is signed, half-signed (a second reviewer is waited for) or
    reopened; ``findings`` are those that were signed, with their flags as they
    were, ``dispositions`` the numbers of the entries that held, by finding.
    """

    session: str
    state: Literal["signed", "half-signed", "reopened"]
    statement: Statement
    signatures: tuple[Signature, ...]
    findings: tuple[Finding, ...]
    dispositions: dict[str, int]
    reopened: Signature | None = None


def sign_off(archive: Archive, session: str) -> SignOff | None:
    """Return a session's last sign-off, reopened or not; None if it never was signed.

    Parameters
    ----------
    archive : Archive
    session : str
        Name of a session in the archive.

    Returns
    -------
    SignOff or None
        The last one.
    """
    found = sign_offs(archive, session)
    return found[-1] if found else None


def sign_offs(archive: Archive, session: str) -> tuple[SignOff, ...]:
    """Return every sign-off a session ever had, oldest first; a reopened one stays.

    Parameters
    ----------
    archive : Archive
    session : str
        Name of a session in the archive.

    Returns
    -------
    tuple of SignOff
        The oldest first.
    """
    return told(open_record(archive).entries(KIND, session=session))


def told(entries: list[Entry]) -> tuple[SignOff, ...]:
    """Return the sign-offs that a session's entries tell of; pure."""
    made: list[SignOff] = []
    waiting: list[Entry] = []
    for entry in entries:
        if entry.what in (SIGNED, FIRST):
            waiting = [*waiting, entry] if entry.what == SIGNED else [entry]
            whole = _sign_off(waiting, entry.what)
            if len(waiting) > 1:
                made[-1] = whole
            else:
                made.append(whole)
            if entry.what == SIGNED:
                waiting = []
        elif entry.what == REOPENED and made:
            last = made[-1]
            made[-1] = SignOff(
                last.session, "reopened", last.statement, last.signatures, last.findings,
                last.dispositions, _signature(entry),
            )  # fmt: skip
            waiting = []
    return tuple(made)


def session_state(archive: Archive, session: str) -> str:
    """Return the state of a session: unchecked, open, half-signed or signed.

    Parameters
    ----------
    archive : Archive
    session : str
        Name of a session in the archive.

    Returns
    -------
    str
        One of the four words.
    """
    entries = open_record(archive).entries(KIND, session=session)
    if entries and entries[-1].what in (SIGNED, FIRST):
        return entries[-1].what
    checks = archive.table("checks")
    checked = checks.height and (checks["session"] == session).any()
    return "open" if checked and session not in lost_flags(archive) else "unchecked"


def refuse_if_signed(archive: Archive, session: str, act: str) -> None:
    """Raise UsageError when a session's state does not allow an act."""
    state = session_state(archive, session)
    session_after("open" if state == "unchecked" else state, act)


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
    )


def flags_digest(found: tuple[Finding, ...]) -> str:
    """Return a digest of all flags of findings, whatever their order."""
    rows = sorted(_flag_text(f) for one in found for f in one.flags)
    return hashlib.sha256("\n".join(rows).encode()).hexdigest()


def missing(archive: Archive, session: str) -> tuple[Finding, ...]:
    """Return the findings that have no disposition yet, worst first."""
    with open_record(archive).as_of_now():
        return tuple(
            f
            for f in findings(archive, session)
            if (d := disposition_in_force(archive, f)) is None or not d.complete
        )


def sign(archive: Archive, session: str, *, reviewer: str, mark: str, remark: str = "") -> SignOff:
    """Sign a session off, as its one reviewer, or the first or second of two.

    Parameters
    ----------
    archive : Archive
    session : str
    reviewer : str
        Who signs. The second of two must be another person.
    mark : str
        `Statement.mark` of the statement that the reviewer read.
    remark : str
        Kept with the signature.

    Returns
    -------
    SignOff
        The sign-off as it was put on record.

    Raises
    ------
    StaleError
        The statement is not any more what the reviewer read.
    UsageError
        A finding without disposition, an act that the state does not allow,
        or no name.
    """
    reviewer = clean_name(reviewer, "a sign-off needs the reviewer's name")
    remark = clean_text(remark, "the remark")
    stated = statement(archive, session)
    present = findings(archive, session)
    content: dict[str, Any] = {
        "statement": _plain(stated),
        "findings": [_finding_text(f) for f in present],
        "remark": remark,
    }
    what = ""

    def guard(record: Record) -> None:
        nonlocal what
        state = session_state(archive, session)
        two = second_reviewer_needed(record)
        act = "sign-second" if state == FIRST else "sign-first" if two else "sign"
        what = session_after(state, act)
        if act == "sign-second":
            _refuse_same_person(record, session, reviewer)
        if mark != stated.mark or statement(archive, session).mark != mark:
            raise StaleError(
                "what this sign-off states has changed since you read it",
                (),
                todo="read the statement again",
            )
        held = [(f, disposition_in_force(archive, f)) for f in present]
        lacking = [f for f, d in held if d is None or not d.complete]
        if lacking:
            raise UsageError(
                f"{len(lacking)} of {len(present)} findings have no disposition: "
                + "; ".join(f"{f.place} {f.kind} ({f.finding})" for f in lacking[:5]),
                todo="give each one first",
            )
        content["dispositions"] = {f.finding: d.seq for f, d in held if d is not None}
        content["state"] = what

    state = session_state(archive, session)
    before = {"state": state}
    two = second_reviewer_needed(open_record(archive))
    expected = SIGNED if state == FIRST or not two else FIRST
    draft = Draft(
        kind=KIND, subject=session, session=session, what=expected, who=reviewer,
        before=before, after=content,
    )  # fmt: skip

    def both(record: Record) -> None:
        guard(record)
        if what != expected:  # somebody signed or set the rule a moment ago
            raise StaleError("the session's state has just changed", (), todo="look again")

    open_record(archive).append([draft], guard=both)
    made = sign_off(archive, session)
    assert made is not None
    return made


def reopen(archive: Archive, session: str, *, reviewer: str, why: str) -> SignOff:
    """Open a signed session again; the sign-off stays on record as it was.

    Parameters
    ----------
    archive : Archive
    session : str
        Name of a session in the archive.
    reviewer : str
        The person's name.
    why : str
        The reason, in a sentence.

    Returns
    -------
    SignOff
        The sign-off, marked as reopened.

    Raises
    ------
    UsageError
        It is not signed, or no name or reason was given.
    """
    reviewer = clean_name(reviewer, "reopening needs a name")
    why = clean_text(why, "the reason")
    if not why:
        raise UsageError("reopening a signed session needs a reason", todo="write it in a sentence")
    before = {"state": session_state(archive, session)}

    def guard(record: Record) -> None:
        session_after(session_state(archive, session), "reopen")

    open_record(archive).append(
        [
            Draft(
                kind=KIND, subject=session, session=session, what=REOPENED, who=reviewer,
                before=before, after={"state": "open", "remark": why},
            )
        ],
        guard=guard,
    )  # fmt: skip
    made = sign_off(archive, session)
    assert made is not None
    return made


def _refuse_same_person(record: Record, session: str, reviewer: str) -> None:
    first = record.entries(KIND, session=session)[-1]
    if same_person(first.who, reviewer):
        raise UsageError(
            f"{first.who} signed first; the second reviewer must be somebody else",
            todo="ask another person to read and sign",
        )


def _sign_off(entries: list[Entry], state: str) -> SignOff:
    last = entries[-1].after or {}
    stated = dict(last["statement"])
    stated["checked_at"] = datetime.fromisoformat(stated["checked_at"])
    flags = [_flag(row) for one in last["findings"] for row in one]
    return SignOff(
        session=entries[-1].session,
        state="signed" if state == SIGNED else "half-signed",
        statement=Statement(**stated),
        signatures=tuple(_signature(e) for e in entries),
        findings=findings_of(flags),
        dispositions=dict(last.get("dispositions", {})),
    )


def _signature(entry: Entry) -> Signature:
    return Signature(entry.who, entry.at, (entry.after or {}).get("remark", ""), entry.seq)


def _plain(stated: Statement) -> dict[str, Any]:
    return asdict(stated) | {"checked_at": stamp(stated.checked_at)}


def _finding_text(finding: Finding) -> list[dict[str, Any]]:
    return [json.loads(_flag_text(f)) for f in finding.flags]


def _flag_text(flag: Any) -> str:
    row = asdict(flag) | {"start": stamp(flag.start), "end": stamp(flag.end)}
    return json.dumps(row, sort_keys=True)


def _flag(row: dict[str, Any]) -> Any:
    from replay.records import Flag

    return Flag(
        **row
        | {
            "start": datetime.fromisoformat(row["start"]),
            "end": datetime.fromisoformat(row["end"]),
        }
    )
