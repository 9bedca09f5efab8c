"""Put a verdict or a disposition on record, for one finding or several alike."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from replay.archive import Archive
from replay.errors import StaleError, UsageError
from replay.record import Draft, Entry, Record, clean_name, clean_text, open_record, same_person
from replay.record.entries import stamp
from replay.reviews.finding_search import find
from replay.reviews.findings import Finding
from replay.reviews.following import KIND
from replay.reviews.judgements.dispositions import Disposition, Reasons, checked, stored
from replay.reviews.judgements.verdicts import OPEN, VERDICTS, covering, disposition_of, last_word
from replay.reviews.signing_off.sign_offs import refuse_if_signed
from replay.reviews.states import finding_after

ANY = -1
"""``seen`` of a caller that takes whatever was there as seen."""


def judge(
    archive: Archive,
    session: str,
    names: str | Sequence[str],
    verdict: str,
    *,
    reviewer: str,
    note: str = "",
    reasons: Reasons | None = None,
    seen: int | dict[str, int] = ANY,
    at: datetime | None = None,
) -> tuple[Disposition, ...]:
    """Put one verdict on a finding, or on several that are alike; earlier ones stay.

    Parameters
    ----------
    archive : Archive
    session : str
    names : str or sequence of str
        Findings, each by its own name or that of one of its flags.
    verdict : str
        One of `VERDICTS`; ``"open"`` opens the finding again.
    reviewer : str
        Who decided. Never empty: a decision without a name is not one.
    note : str
        In the reviewer's words; needed for ``"false-flag"`` and ``"repair"``,
        because someone else will act on them, unless ``reasons`` say it.
    reasons : Reasons, optional
        What makes the verdict a disposition.
    seen : int or dict
        Number of the last entry that the writer saw on the finding, by
        finding if there are several; 0 where there was none.
    at : datetime, optional
        Now when left out.

    Returns
    -------
    tuple of Disposition
        What now holds, a finding each.

    Raises
    ------
    StaleError
        Somebody else wrote on a finding after what the writer saw; nothing is
        written, and what they wrote comes with the error.
    UsageError
        Unknown finding or verdict, no name, a missing or overlong text, or a
        session that is signed.
    """
    chosen = [find(archive, session, n) for n in ([names] if isinstance(names, str) else names)]
    if not chosen:
        raise UsageError("no finding was chosen", todo="name at least one")
    reviewer = clean_name(reviewer, "a verdict needs the reviewer's name")
    note, made = _texts(verdict, note, reasons)
    act = OPEN if verdict == OPEN else "dispose" if made else "judge"

    def guard(record: Record) -> None:
        refuse_if_signed(archive, session, "judge")
        for one in chosen:
            _refuse_stale(archive, one, seen, reviewer)
            finding_after(state_of(archive, one), act)

    drafts = [_draft(archive, one, verdict, reviewer, note, made, at) for one in chosen]
    written = open_record(archive).append(drafts, guard=guard)
    return tuple(disposition_of(e, one.finding) for e, one in zip(written, chosen, strict=True))


def state_of(archive: Archive, finding: Finding) -> str:
    """Return a finding's state, leaving aside whether its session is signed."""
    return state_by(last_word(archive, finding)[0])


def state_by(entry: Entry | None) -> str:
    """Return the state that the verdict in force gives a finding."""
    after = (entry.after or {}) if entry is not None else {}
    if after.get("verdict", OPEN) == OPEN:
        return "open"
    return "disposed" if after.get("reasons") else "judged"


def give_verdict(
    archive: Archive,
    session: str,
    flag: str,
    verdict: str,
    *,
    reviewer: str,
    note: str = "",
    at: datetime | None = None,
) -> Disposition:
    """Put a verdict on the finding that a flag belongs to; see `judge`.

    Parameters
    ----------
    archive : Archive
    session : str
        Name of a session in the archive.
    flag : str
        Name of a flag of that session.
    verdict : str
        One of `replay.reviews.VERDICTS`.
    reviewer : str
        The person's name.
    note : str
        Why; some verdicts ask for it.
    at : datetime, optional
        When; now by default.

    Returns
    -------
    Disposition
        What now holds for the finding.
    """
    return judge(archive, session, flag, verdict, reviewer=reviewer, note=note, at=at)[0]


def _texts(verdict: str, note: str, reasons: Reasons | None) -> tuple[str, Reasons | None]:
    if verdict not in VERDICTS:
        raise UsageError(f"no verdict {verdict!r}", todo="use one of " + ", ".join(VERDICTS))
    note = clean_text(note, "the note")
    made = checked(reasons) if reasons is not None else None
    if made is not None and verdict == OPEN:
        raise UsageError("an open finding has no disposition", todo="choose another verdict")
    if made is None and verdict in ("repair", "false-flag") and not note:
        raise UsageError(f"the verdict {verdict!r} needs a note", todo="say why in a sentence")
    if made is not None and verdict == "false-flag" and made.nonconformance != "none":
        raise UsageError(
            "a false flag is no nonconformance", todo="choose another verdict, or the class none"
        )
    return note, made


def _refuse_stale(
    archive: Archive, finding: Finding, seen: int | dict[str, int], reviewer: str
) -> None:
    known = seen.get(finding.finding, ANY) if isinstance(seen, dict) else seen
    if known == ANY:
        return
    touched = covering(archive, finding.session, finding.names)
    theirs = tuple(e for e in touched if e.seq > known and not same_person(e.who, reviewer))
    if not theirs:
        return
    newest: Entry = theirs[-1]
    raise StaleError(
        f"{newest.who} put {(newest.after or {}).get('verdict')!r} on this finding "
        "after you opened it",
        theirs,
        todo="read it, then keep theirs or put yours after it",
    )


def _draft(
    archive: Archive,
    finding: Finding,
    verdict: str,
    reviewer: str,
    note: str,
    reasons: Reasons | None,
    at: datetime | None,
) -> Draft:
    entry, _ = last_word(archive, finding)
    before = (entry.after or {}) if entry is not None else None
    after: dict[str, Any] = {
        "verdict": verdict,
        "note": note,
        "finding": finding.finding,
        "baseline": finding.baseline,
        "flags": [
            {
                "flag": f.flag,
                "joint": f.joint,
                "unit": f.unit,
                "kind": f.kind,
                "start": stamp(f.start),
                "end": stamp(f.end),
            }
            for f in finding.flags
        ],
    }
    if reasons is not None:
        after["reasons"] = stored(reasons)
    return Draft(
        kind=KIND,
        subject=finding.finding,
        session=finding.session,
        what=verdict,
        who=reviewer,
        before=before,
        after=after,
        at=at,
    )
