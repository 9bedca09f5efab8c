"""Sign a session off, or open a signed one again."""

from __future__ import annotations

from typing import Any

from replay.archive import Archive
from replay.errors import StaleError, UsageError
from replay.record import Draft, Record, clean_name, clean_text, open_record, same_person
from replay.record.closed import FIRST, REOPENED, SIGNED
from replay.reviews.findings import Finding, findings
from replay.reviews.judgements.verdicts import disposition_in_force
from replay.reviews.settings import second_reviewer_needed
from replay.reviews.signing_off.sign_offs import (
    KIND,
    SignOff,
    finding_text,
    session_state,
    sign_off,
)
from replay.reviews.signing_off.statements import Statement, plain, statement
from replay.reviews.states import session_after
from replay.wording import lacking_words


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
        ``mark`` is of no statement, or not of the one that the session has now.
    UsageError
        A finding without disposition, an act that the state does not allow,
        or no name.
    """
    reviewer = clean_name(reviewer, "a sign-off needs the reviewer's name")
    remark = clean_text(remark, "the remark")
    stated = statement(archive, session)
    present = findings(archive, session)
    content: dict[str, Any] = {
        "statement": plain(stated),
        "findings": [finding_text(f) for f in present],
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
        _refuse_other_statement(mark, stated, statement(archive, session))
        held = [(f, disposition_in_force(archive, f)) for f in present]
        lacking = [f for f, d in held if d is None or not d.complete]
        if lacking:
            raise UsageError(
                f"{lacking_words(len(lacking), len(present))}: "
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


def _refuse_other_statement(mark: str, before: Statement, now: Statement) -> None:
    """Refuse a mark that is not the present statement's, and say which one is.

    A mark that was never this session's cannot be told from one of an earlier
    state, so both are named as reasons, with the instant of the last check.
    """
    todo = f"read what `jointbook sign {now.session}` shows, then sign with --statement {now.mark}"
    if now.mark != before.mark:
        raise StaleError("what this sign-off states changed just now", (), todo=todo)
    if mark.strip().lower() != now.mark:
        raise StaleError(
            f"{mark[:40]!r} is not the mark of the statement that {now.session} has now, which is "
            f"{now.mark}: either it was mistyped, or the session was checked again, last on "
            f"{now.checked_at:%Y-%m-%d %H:%M:%S} UTC, after that statement was read",
            (),
            todo=todo,
        )


def _refuse_same_person(record: Record, session: str, reviewer: str) -> None:
    first = record.entries(KIND, session=session)[-1]
    if same_person(first.who, reviewer):
        raise UsageError(
            f"{first.who} signed first; the second reviewer must be somebody else",
            todo="ask another person to read and sign",
        )
