"""List the findings that wait for a person, worst first, and who has them.

A finding is what one cause did: its flags are listed under it. Taking a
finding shows others who has it; it locks nothing.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence

import polars as pl

from replay.archive import open_archive
from replay.cli.known import known_arm, known_sessions
from replay.cli.output import offer, print_json, print_table
from replay.cli.tables import add_out, checked_out
from replay.errors import UsageError
from replay.reviews.finding_search import session_of
from replay.reviews.judgements.cautions import cautions_of_all
from replay.reviews.queue import Waiting, give_back, queue, take


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("session", nargs="?", help="only this session")
    parser.add_argument("--arm", help="only this arm")
    parser.add_argument("--of", metavar="NAME", help="only what this person has; '' for nobody's")
    parser.add_argument("--open", action="store_true", help="leave out what has a bare verdict")
    parser.add_argument("--most", type=int, default=40, metavar="N", help="list so many (40)")
    parser.add_argument("--take", metavar="FINDING", help="take this finding")
    parser.add_argument("--give-back", metavar="FINDING", help="give this finding back")
    parser.add_argument("--over", action="store_true", help="take it though somebody has it")
    parser.add_argument("--as", dest="who", default="", metavar="NAME", help="your name")
    add_out(parser)


def run(args: argparse.Namespace) -> int:
    """Take or give back, or list."""
    archive = open_archive(args.archive)
    if args.out is not None:
        checked_out(args.out)
    # A name that is not there would pass for an empty queue.
    known_sessions(archive, [args.session] if args.session else [])
    known_arm(archive, args.arm)
    if args.take or args.give_back:
        if args.take and args.give_back:
            raise UsageError("take one finding or give one back", todo="not both at once")
        session = args.session or session_of(archive, args.take or args.give_back)
        if args.take:
            take(archive, session, args.take, who=args.who, over=args.over)
        else:
            give_back(archive, session, args.give_back, who=args.who)
    waiting = queue(
        archive, arm=args.arm, session=args.session, holder=args.of, judged=not args.open
    )
    offer({"queue": _table(waiting)}, args.out)
    if args.json:
        print_json({"waiting": [line(w) for w in waiting]})
        return 0
    if not waiting:
        print("nothing waits" + (f" in {args.session}" if args.session else ""))
        return 0
    shown = waiting[: max(args.most, 1)]
    print_table(_table(shown))
    more = len(waiting) - len(shown)
    print(f"{len(waiting)} wait" + (f"; {more} more: --most {len(waiting)}" if more else ""))
    for words in cautions_of_all(archive, (w.finding for w in shown)):
        print(f"CAUTION: {words}")
    print("`jointbook verdict FINDING` shows one, and says how to decide on it")
    return 0


def _table(waiting: Sequence[Waiting]) -> pl.DataFrame:
    schema = {"flags": pl.Int64, "score": pl.Float64}
    names = "finding", "severity", "session", "where", "kind", "flags", "score", "state", "has it"
    return pl.DataFrame(
        [
            {
                "finding": w.finding.finding,
                "severity": w.finding.severity,
                "session": w.finding.session,
                "where": w.finding.place,
                "kind": w.finding.kind,
                "flags": len(w.finding.flags),
                "score": round(w.finding.score, 1),
                "state": w.verdict if w.state == "judged" else w.state,
                "has it": w.holder or "",
            }
            for w in waiting
        ],
        schema={name: schema.get(name, pl.String) for name in names},
    )


def line(w: Waiting) -> dict[str, object]:
    """Return one waiting finding as the JSON document spells it."""
    f = w.finding
    return {
        "finding": f.finding,
        "session": f.session,
        "arm": w.arm,
        "joints": list(f.joints),
        "kind": f.kind,
        "severity": f.severity,
        "score": f.score,
        "start": f.start,
        "end": f.end,
        "summary": f.summary,
        "flags": [x.flag for x in f.flags],
        "state": w.state,
        "verdict": w.verdict,
        "holder": w.holder,
        "since": w.since,
        "seen": w.seen,
    }
