"""Make an evidence bundle of a session or a finding, or verify one.

A bundle is one zip file with the log as it came, the cleaned samples, the
baseline, the flags, what people decided, the report and the digest of each.
`verify` needs nothing but the file: it tells any changed byte, reads the log
again, computes the flags again, and says whether they are the same to the bit.
Keys to sign with are yours: `openssl genpkey -algorithm ed25519 -out key.pem`.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from replay.archive import open_archive
from replay.cli.output import print_json, say
from replay.errors import UsageError
from replay.wording import counted

if TYPE_CHECKING:
    from replay.reports.bundle import Made, Verified


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("act", choices=("make", "verify"), help="what to do")
    parser.add_argument("subject", help="make: a session, or a finding; verify: the file")
    parser.add_argument("--out", default=".", metavar="PATH", help="file or folder to write to (.)")
    parser.add_argument("--sign", metavar="KEY.pem", help="make: sign with this private key")
    parser.add_argument("--password-file", metavar="FILE", help="make: the key's password")
    parser.add_argument("--key", metavar="PUBLIC.pem", help="verify: this key must have signed it")
    parser.add_argument("--quick", action="store_true", help="do not compute the flags again")


def run(args: argparse.Namespace) -> int:
    """Make or verify, and say what came of it."""
    if args.act == "verify":
        return _verify(args)
    return _make(args)


def _make(args: argparse.Namespace) -> int:
    from replay.reports.bundle import make_bundle
    from replay.reports.bundle.verifying import DIFFER
    from replay.reviews.finding_search import session_of

    if args.key:
        raise UsageError("--key is for verify", todo="--sign takes the private key")
    archive = open_archive(args.archive)
    session, finding = args.subject, None
    if not archive.has_session(session):
        session, finding = session_of(archive, args.subject), args.subject
    password = None
    if args.password_file:
        password = Path(args.password_file).read_bytes().rstrip(b"\r\n")
    made = make_bundle(
        archive,
        session,
        Path(args.out),
        finding=finding,
        key=Path(args.sign) if args.sign else None,
        password=password,
        verify=not args.quick,
        progress=say,
    )
    if args.json:
        print_json(_made(made))
    else:
        print(f"{made.path}: {made.size:,} bytes, SHA-256 {made.sha256}")
        for note in made.notes:
            print(f"  {note}")
        if made.verified is not None:
            _tell(made.verified)
            if made.verified.flags == DIFFER:
                print(
                    "the archive's flags are of an earlier program or baseline: `jointbook check "
                    f"{made.verified.manifest.session}` finds them anew, changing nothing "
                    "signed; then make the bundle again"
                )
    return 0 if made.verified is None or made.verified.holds else 1


def _verify(args: argparse.Namespace) -> int:
    from replay.reports.bundle import verify_bundle

    if args.sign or args.password_file:
        raise UsageError("--sign is for make", todo="--key takes the public key")
    done = verify_bundle(
        Path(args.subject),
        key=Path(args.key) if args.key else None,
        compute=not args.quick,
        progress=say,
    )
    if args.json:
        print_json(_verified(done))
    else:
        _tell(done)
    return 0 if (done.whole if args.quick else done.holds) else 1


def _tell(done: Verified) -> None:
    said = done.manifest
    print(
        f"{said.session}{'' if said.finding is None else ', finding ' + said.finding}, made "
        f"{said.made_at}"
    )
    print(f"SHA-256 of the file: {done.sha256}")
    if done.whole:
        files = counted(len(said.files), "file is", "files are")
        print(f"whole: {files} what was put in; no byte differs")
    for damage in done.damages:
        print(f"DAMAGED: {damage}")
    if done.signed is None:
        print("not signed: who made it, and whether it was made anew, it cannot tell")
    else:
        whose = "the key you gave" if done.signed.known else "a key whose owner you must know"
        print(
            f"signature {'good' if done.signed.good else 'NOT GOOD'}, by {whose}: "
            f"{done.signed.fingerprint}"
        )
    print(
        f"record: {counted(done.entries, 'entry', 'entries')}"
        + (", hashes good" if done.whole else "")
    )
    print(f"flags computed again: {_words(done.flags)}")
    print(f"cleaned samples from the log as it came: {_words(done.cleaned)}")
    for line in (*done.differences, *done.notes):
        print(f"  {line}")


def _words(outcome: str) -> str:
    return {"same": "the same to the bit", "differ": "THEY DIFFER"}.get(outcome, outcome)


def _made(made: Made) -> dict[str, Any]:
    return {
        "path": str(made.path),
        "sha256": made.sha256,
        "bytes": made.size,
        "notes": list(made.notes),
        "verified": None if made.verified is None else _verified(made.verified),
    }


def _verified(done: Verified) -> dict[str, Any]:
    return {
        "path": str(done.path),
        "sha256": done.sha256,
        "session": done.manifest.session,
        "finding": done.manifest.finding,
        "made_at": done.manifest.made_at,
        "whole": done.whole,
        "holds": done.holds,
        "damages": list(done.damages),
        "signed": None
        if done.signed is None
        else {
            "good": done.signed.good,
            "key_given": done.signed.known,
            "fingerprint": done.signed.fingerprint,
        },
        "entries": done.entries,
        "flags": done.flags,
        "cleaned": done.cleaned,
        "differences": list(done.differences),
        "notes": list(done.notes),
    }
