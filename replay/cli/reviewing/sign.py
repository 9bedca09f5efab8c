"""Sign a session off, or show what its sign-off would state and what is missing.

A session is signed when every finding has a disposition. The statement says
completeness, unjudged time and the baseline; its mark, typed back, shows that
it was read. It never clears an arm: it closes the review of one session.
"""

from __future__ import annotations

import argparse
from dataclasses import asdict
from typing import Any

from replay.archive import Archive, open_archive
from replay.cli.output import iso, print_json
from replay.errors import UsageError
from replay.record import open_record
from replay.reviews.findings import findings
from replay.reviews.judgements.cautions import cautions_of_session
from replay.reviews.settings import ask_for_second_reviewer, second_reviewer_needed
from replay.reviews.signing_off.rechecking import comparisons
from replay.reviews.signing_off.sign_offs import SignOff, session_state, sign_offs
from replay.reviews.signing_off.signing import missing, reopen, sign
from replay.reviews.signing_off.statements import Statement, completeness_words, statement
from replay.wording import counted, lacking_words


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("session", nargs="?", help="the session")
    parser.add_argument("--as", dest="who", default="", metavar="NAME", help="who signs")
    parser.add_argument("--statement", metavar="MARK", help="the mark of the statement you read")
    parser.add_argument("--remark", default="", metavar="TEXT", help="kept with the signature")
    parser.add_argument("--reopen", metavar="WHY", help="open a signed session again")
    parser.add_argument(
        "--second-reviewer",
        choices=("required", "not-required"),
        help="from now on, whether a second person must sign every session",
    )


def run(args: argparse.Namespace) -> int:
    """Set, reopen, sign, or show."""
    archive = open_archive(args.archive)
    if args.second_reviewer:
        ask_for_second_reviewer(archive, args.second_reviewer == "required", who=args.who)
    if not args.session:
        if not args.second_reviewer:
            raise UsageError("which session?", todo="`jointbook queue` lists what waits")
        print(f"second reviewer: {args.second_reviewer}")
        return 0
    archive.session(args.session)
    if args.reopen is not None:
        reopen(archive, args.session, reviewer=args.who, why=args.reopen)
    elif args.statement is not None:
        sign(archive, args.session, reviewer=args.who, mark=args.statement, remark=args.remark)
    return _show(archive, args.session, as_json=args.json)


def _show(archive: Archive, session: str, *, as_json: bool) -> int:
    state = session_state(archive, session)
    stated = statement(archive, session) if state != "unchecked" else None
    lacking = missing(archive, session)
    signed = sign_offs(archive, session)
    two = second_reviewer_needed(open_record(archive))
    if as_json:
        print_json(
            {
                "session": session,
                "state": state,
                "second_reviewer": two,
                "statement": asdict(stated) | {"mark": stated.mark} if stated else None,
                "without_disposition": [f.finding for f in lacking],
                "sign_offs": [_plain(s) for s in signed],
                "later_checks": list(comparisons(archive, session)),
            }
        )
        return 0
    print(f"{session}: {state}" + ("; two reviewers are required" if two else ""))
    for past in signed:
        names = ", ".join(f"{s.by} on {iso(s.at)} (entry {s.seq})" for s in past.signatures)
        print(f"signed by {names}" if past.state != "half-signed" else f"first signature: {names}")
        if past.reopened:
            print(f"  reopened by {past.reopened.by}: {past.reopened.remark}")
    for words in comparisons(archive, session):
        print(f"a later check, {words}; nothing signed has changed")
    if state == "signed" or stated is None:
        if stated is None:
            print(f"not checked: `jointbook check {session}` first")
        return 0
    for words in cautions_of_session(archive, session, findings(archive, session)):
        print(f"  CAUTION: {words}")
    for line in lines(stated):
        print(f"  {line}")
    if lacking:
        print(f"{lacking_words(len(lacking), stated.findings)}:")
        for f in lacking:
            print(f"  {f.finding}  {f.severity}  {f.place}  {f.kind}")
    else:
        print(f"to sign this: jointbook sign {session} --as NAME --statement {stated.mark}")
    return 0


def lines(stated: Statement) -> list[str]:
    """Return a statement in words, one line a thing."""
    return [
        f"baseline {stated.baseline}, checked {iso(stated.checked_at)}",
        f"completeness of the log: {completeness_words(stated)}",
        f"judged {stated.judged_joint_h:.3f} of {stated.logged_joint_h:.3f} joint-hours, "
        f"{stated.unjudged_joint_h:.3f} not judged",
        f"asked for {stated.asked_rate:g} false flags per 100 joint-hours; {stated.expected_words}",
        f"{counted(stated.findings, 'finding')}; "
        f"notes of the check: {'; '.join(stated.notes) or 'none'}",
    ]


def _plain(signed: SignOff) -> dict[str, Any]:
    return {
        "state": signed.state,
        "statement": asdict(signed.statement),
        "signatures": [asdict(s) for s in signed.signatures],
        "findings": [f.finding for f in signed.findings],
        "dispositions": signed.dispositions,
        "reopened": asdict(signed.reopened) if signed.reopened else None,
    }
