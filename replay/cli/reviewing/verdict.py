"""Put a verdict or a whole disposition on a finding, or show what was decided.

Without --word it shows the finding, its flags and its history. Several alike
findings of a session take one verdict together. Nothing is proposed: class,
severity, likelihood and decision are yours. Scales: severity I to IV and
likelihood A to E of MIL-STD-882E; class and decision of ECSS-Q-ST-10-09C.
"""

from __future__ import annotations

import argparse
from typing import Any

from replay.archive import Archive, open_archive
from replay.cli.output import iso, print_json
from replay.errors import StaleError, UsageError
from replay.reviews.finding_search import find_all
from replay.reviews.findings import Finding
from replay.reviews.judgements import scales
from replay.reviews.judgements.cautions import cautions_of
from replay.reviews.judgements.dispositions import Disposition, Link, Reasons
from replay.reviews.judgements.judging import judge
from replay.reviews.judgements.verdicts import VERDICTS, covering, disposition_of, last_word
from replay.wording import score_figure

_HOW = """to decide: jointbook verdict {} --as NAME --word WORD --observed TEXT --class none
  WORD: explained, watch, repair or false-flag; --cause TEXT where it is known
  a nonconformance: --class minor|major --severity I..IV --likelihood A..E --decision D
  --reason TEXT; the lists of words: jointbook verdict --help"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("session", help="the session, or a finding")
    parser.add_argument("finding", nargs="*", help="findings, by their name or that of a flag")
    parser.add_argument("--word", choices=tuple(VERDICTS), help="the verdict")
    parser.add_argument("--as", dest="who", default="", metavar="NAME", help="who decides")
    parser.add_argument("--note", default="", metavar="TEXT", help="in your words")
    parser.add_argument("--observed", metavar="TEXT", help="what was observed: makes a disposition")
    parser.add_argument("--cause", metavar="TEXT", help="its cause; left out: not known")
    parser.add_argument("--class", dest="sort", choices=tuple(scales.CLASSES), help="its class")
    parser.add_argument("--severity", choices=tuple(scales.SEVERITIES), help="severity category")
    parser.add_argument("--likelihood", choices=tuple(scales.LIKELIHOODS), help="likelihood level")
    parser.add_argument("--decision", choices=tuple(scales.DECISIONS), help="what follows")
    parser.add_argument("--reason", default="", metavar="TEXT", help="why this decision")
    parser.add_argument("--concession", default="", metavar="TEXT", help="the recorded concession")
    parser.add_argument("--conditions", default="", metavar="TEXT", help="on which conditions")
    parser.add_argument("--owner", default="", metavar="NAME", help="who owes the conditions")
    parser.add_argument("--verification", default="", metavar="TEXT", help="how they are verified")
    parser.add_argument(
        "--link",
        action="append",
        default=[],
        metavar="KIND:TO",
        help="instant:, pin:, maintenance:, finding: or paper: and what it points to",
    )
    parser.add_argument(
        "--over",
        type=int,
        metavar="ENTRY",
        help="you have read this entry of somebody else and put yours after it",
    )


def run(args: argparse.Namespace) -> int:
    """Show, or decide."""
    archive = open_archive(args.archive)
    session, found = find_all(archive, [args.session, *args.finding])
    if args.word is None:
        return _show(archive, found, as_json=args.json)
    seen = {f.finding: args.over or 0 for f in found}
    try:
        made = judge(
            archive,
            session,
            [f.finding for f in found],
            args.word,
            reviewer=args.who,
            note=args.note,
            reasons=_reasons(args),
            seen=seen,
        )
    except StaleError as error:
        theirs: Any = error.theirs[-1]
        raise UsageError(
            f"entry {theirs.seq}: {theirs.who} put {theirs.what!r} on it on {iso(theirs.at)}"
            + (f": {(theirs.after or {}).get('note')}" if (theirs.after or {}).get("note") else ""),
            todo=f"to put yours after it: --over {theirs.seq}",
        ) from error
    if args.json:
        print_json({"dispositions": [_plain(d) for d in made]})
    else:
        for d in made:
            print(f"{d.finding}: {_words(d)} (entry {d.seq})")
    return 0


def _reasons(args: argparse.Namespace) -> Reasons | None:
    parts = (args.observed, args.sort, args.cause, args.severity, args.likelihood, args.decision)
    if not any(parts):
        return None
    if args.observed is None or args.sort is None:
        raise UsageError(
            "a disposition says what was observed and its class", todo="--observed TEXT --class …"
        )
    links = []
    for text in args.link:
        kind, _, to = text.partition(":")
        links.append(Link(kind, to))
    return Reasons(
        observed=args.observed,
        nonconformance=args.sort,
        cause=args.cause,
        severity=args.severity,
        likelihood=args.likelihood,
        decision=args.decision,
        reason=args.reason,
        concession=args.concession,
        conditions=args.conditions,
        owner=args.owner,
        verification=args.verification,
        links=tuple(links),
    )


def _show(archive: Archive, found: list[Finding], *, as_json: bool) -> int:
    shown = []
    for one in found:
        _, seen = last_word(archive, one)
        entries = covering(archive, one.session, one.names)
        shown.append((one, seen, [disposition_of(e, one.finding) for e in entries]))
    if as_json:
        print_json(
            {
                "findings": [
                    {
                        "finding": f.finding,
                        "joints": list(f.joints),
                        "kind": f.kind,
                        "severity": f.severity,
                        "summary": f.summary,
                        "flags": [x.flag for x in f.flags],
                        "seen": seen,
                        "history": [_plain(d) for d in history],
                    }
                    for f, seen, history in shown
                ]
            }
        )
        return 0
    for f, _, history in shown:
        print(
            f"{f.finding}  {f.severity}  {f.place}  {f.kind}  {iso(f.start)}  "
            f"score {score_figure(f.score)}"
        )
        for words in cautions_of(archive, f):
            print(f"    CAUTION: {words}")
        for flag in f.flags:
            print(f"    {flag.flag}  {flag.summary}")
        for d in history:
            print(f"    entry {d.seq}, {iso(d.at)}, {d.by}: {_words(d)}")
        if not history:
            print("    nobody has decided on it yet")
    print(_HOW.format(found[0].finding))
    return 0


def _words(d: Disposition) -> str:
    said = d.verdict + (f": {d.note}" if d.note else "")
    if d.reasons is None:
        return (
            f"{said} (a verdict; a disposition is needed to sign)" if d.verdict != "open" else said
        )
    r = d.reasons
    sort = (
        "no nonconformance" if r.nonconformance == "none" else f"{r.nonconformance} nonconformance"
    )
    parts = [
        said,
        f"observed: {r.observed}",
        f"cause: {r.cause or 'not known'}",
        sort,
        f"severity {r.severity}, likelihood {r.likelihood}, risk {r.risk}" if r.severity else "",
        f"{r.decision}: {r.reason}" if r.decision else "",
    ]
    return "; ".join(p for p in parts if p)


def _plain(d: Disposition) -> dict[str, Any]:
    from dataclasses import asdict

    reasons = asdict(d.reasons) | {"risk": d.reasons.risk} if d.reasons is not None else None
    return asdict(d) | {"reasons": reasons}
