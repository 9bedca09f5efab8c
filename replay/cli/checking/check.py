"""Check sessions against a baseline and store their flags."""

from __future__ import annotations

import argparse

import polars as pl

from replay.archive import open_archive
from replay.cli.known import known_sessions
from replay.cli.output import each_once, offer, print_json, print_table, progress, say
from replay.cli.tables import add_out, checked_out
from replay.cli.who_works import add_workers, values_of, who_works
from replay.errors import JointbookError
from replay.wording import counted

MOST_NOTES = 12
"""So many notes are printed."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("session", nargs="*", help="sessions to check (all)")
    parser.add_argument("--baseline", metavar="VERSION", help="baseline to use (the latest)")
    add_out(parser)
    add_workers(parser)


def run(args: argparse.Namespace) -> int:
    """Check, store, and list the flags with the rate to expect by chance."""
    from replay.checks import discoveries, flags, promise
    from replay.models import load_baseline
    from replay.reviews.signing_off.rechecking import Difference, check_keeping
    from replay.signals.motion.motions import index_motions

    if args.out is not None:
        checked_out(args.out)
    archive = open_archive(args.archive)
    failed: list[dict[str, str]] = []

    def refused(name: str, error: JointbookError) -> None:
        failed.append({"session": name, "reason": str(error)})
        say(f"{name}: {error}")

    named: list[str] = []
    for name in args.session:  # one wrong name does not stop the others
        try:
            known_sessions(archive, [name])
            named.append(name)
        except JointbookError as error:
            refused(name, error)
    if failed and not named:
        return 2
    baseline = load_baseline(archive, args.baseline)
    names = named or archive.sessions()["session"].to_list()
    shown = progress(names, total=len(names), what="checking")
    signed: list[Difference] = []
    with who_works(args, len(names), values_of(archive, names)) as each:
        checks = check_keeping(
            archive, shown, baseline, on_error=refused, on_signed=signed.append, each=each
        )
        done = list(checks)
        # an event's page looks for its like
        index_motions(archive, [r.session for r in done], each=each)
    frame = flags(archive, [r.session for r in done])
    outstanding = discoveries(archive, [r.session for r in done])
    offer({"flags": frame}, args.out)
    if args.json:
        print_json(
            {
                "baseline": baseline.version,
                "asked_rate": baseline.asked,
                "promise": promise.sentence(baseline),
                "checks": [
                    {
                        "session": r.session,
                        "flags": len(r.flags),
                        "joint_hours": r.joint_hours,
                        "expected_false_flags": r.expected_false_flags,
                        "note": r.note,
                    }
                    for r in done
                ],
                "flags": flag_rows(frame),
                "discoveries": outstanding["flag"].to_list(),
                "signed": [
                    {"session": d.session, "differs": d.any, "words": d.words()} for d in signed
                ],
                "failed": failed,
            }
        )
    else:
        if frame.height:
            print_table(
                frame.select("flag", "session", "joint", "kind", "severity", "score", "summary")
            )
        hours = sum(r.joint_hours for r in done)
        expected = sum(r.expected_false_flags for r in done)
        notes = [(r.session, r.note.partition("; ")[2]) for r in done]
        lines = each_once((name, note) for name, note in notes if note)
        for text in lines[:MOST_NOTES]:
            print(text)
        if len(lines) > MOST_NOTES:
            more = counted(len(lines) - MOST_NOTES, "more note")
            print(f"{more}: --json lists them")
        for difference in signed:
            print(f"{difference.session} is signed and stays so; {difference.words()}")
        most = promise.bound(baseline) * hours / 100
        print(
            f"{counted(frame.height, 'flag')} in {counted(len(done), 'session')} "
            f"({hours:.1f} joint-hours judged); "
            f"healthy sessions would show about {expected:.2g}, at most {most:.2g} (90 %); "
            f"{outstanding.height} hold at a false discovery rate of 10 %"
        )
        print(f"{baseline.version}: {promise.sentence(baseline)}")
    return 1 if failed else 0


def flag_rows(frame: pl.DataFrame) -> list[dict[str, object]]:
    """Return flags as the JSON documents spell them, evidence unpacked."""
    import orjson

    return [row | {"evidence": orjson.loads(row["evidence"] or "{}")} for row in frame.to_dicts()]
