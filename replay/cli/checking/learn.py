"""Learn each joint unit's normal behaviour from chosen sessions.

Sessions that stand out are set aside and named: a fault hidden in training
should not become normal. The result is a new version of the baseline; the
earlier ones stay.
"""

from __future__ import annotations

import argparse

import polars as pl

from replay.archive import open_archive
from replay.cli.known import known_sessions
from replay.cli.output import Bar, offer, print_json, print_table, say
from replay.cli.tables import add_out, checked_out
from replay.cli.who_works import add_workers, values_of, who_works
from replay.errors import UsageError
from replay.models import Baseline
from replay.wording import counted

MOST_ACCEPTED = 1000.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("session", nargs="*", help="sessions that teach (all)")
    parser.add_argument(
        "--false-flags-per-100h",
        type=float,
        default=1.0,
        metavar="X",
        help="false flags you accept per 100 joint-hours (1)",
    )
    parser.add_argument(
        "--calibration",
        nargs="?",
        const="",
        metavar="VERSION",
        help="learn nothing: show how a baseline (the latest) keeps its word on sessions that its "
        "fits left out, or on healthy SESSIONs that you name",
    )
    parser.add_argument(
        "--teach-confirmed",
        action="store_true",
        help="let joint units teach in sessions where people confirmed an event; they are left "
        "out otherwise",
    )
    parser.add_argument(
        "--beside",
        nargs=2,
        metavar=("FIRST", "SECOND"),
        help="learn nothing: lay two baselines side by side, what they rest on, what drag they "
        "notice and how their expected currents differ",
    )
    add_out(parser)
    add_workers(parser)


def accepted(rate: float) -> None:
    """Refuse a rate of false flags that nobody can mean."""
    if not 0 < rate <= MOST_ACCEPTED:
        raise UsageError(
            f"--false-flags-per-100h is {rate:g}",
            todo=f"give a number above 0, up to {MOST_ACCEPTED:g}; 1 is a usual choice",
        )


def run(args: argparse.Namespace) -> int:
    """Learn, save, and say what the baseline rests on."""
    from replay.checks import learn, promise
    from replay.reviews.judgements.learning import confirmed, note_learning

    if args.calibration is not None and args.beside is not None:
        raise UsageError("--calibration and --beside are two questions", todo="ask one at a time")
    if args.out is not None:
        if args.calibration is None and args.beside is None:
            raise UsageError("--out goes with --calibration or --beside", todo="learning has none")
        checked_out(args.out)
    if args.calibration is not None:
        return _calibration(args)
    if args.beside is not None:
        return _beside(args)

    accepted(args.false_flags_per_100h)
    archive = open_archive(args.archive)
    known_sessions(archive, args.session)
    chosen = set(args.session or archive.sessions()["session"].to_list())
    there = [o for o in confirmed(archive) if o.session in chosen]
    left_out = [] if args.teach_confirmed else there
    work = who_works(args, len(chosen), values_of(archive, chosen))
    with Bar() as bar, work as each:
        baseline = learn(
            archive,
            args.session or None,
            false_flags_per_100h=args.false_flags_per_100h,
            leave_out={(o.session, o.unit) for o in left_out},
            progress=bar.show,
            each=each,
        )
    if left_out:
        note_learning(archive, baseline.version, left_out, "jointbook learn")
    if args.json:
        print_json(summary(baseline) | {"left_out": left_out})
    else:
        if left_out:
            print(f"left out, because people confirmed an event there ({len(left_out)}):")
            for one in left_out:
                print(f"  {one.unit} in {one.session}: {one.verdict}, {one.by}")
        elif there:
            events = counted(len(there), "confirmed event teaches", "confirmed events teach")
            print(f"{events} too, as you asked")
        aside = sum(len(u.set_aside) for u in baseline.units.values())
        print(
            f"{baseline.version}: {counted(len(baseline.units), 'joint unit')} from "
            f"{counted(len(baseline.sessions), 'session')}"
        )
        print(promise.sentence(baseline))
        if aside:
            print(f"set aside while learning, look at them ({aside}):")
            for name, unit in sorted(baseline.units.items()):
                for session in unit.set_aside:
                    print(f"  {name} in {session}")
        for line in baseline.concerns():
            say(line)
    return 0


def _calibration(args: argparse.Namespace) -> int:
    """Print nominal beside observed rates of flags."""
    from replay.checks import calibration, promise
    from replay.models import load_baseline
    from replay.reviews.judgements.learning import observed_false_flags

    archive = open_archive(args.archive)
    baseline = load_baseline(archive, args.calibration or None)
    table = calibration(archive, baseline, sessions=args.session or None)
    by_verdict = observed_false_flags(archive)
    taught = sorted(set(args.session) & set(baseline.sessions))
    offer({"rates": table, "verdicts": by_verdict}, args.out)
    if args.json:
        print_json(
            {
                "baseline": baseline.version,
                "promise": promise.sentence(baseline),
                "sessions": args.session or list(baseline.sessions),
                "taught_it": taught,
                "rates": table.to_dicts(),
                "by_verdict": by_verdict.to_dicts(),
            }
        )
        return 0
    where = "the sessions named" if args.session else "training sessions, each left out of its fit"
    print(f"{baseline.version} on {where}; flags per 100 joint-hours, 90 % interval")
    print_table(table)
    if by_verdict.height:
        print("by verdict: false flags that people found, in sessions where nothing is open")
        print_table(by_verdict)
    print(promise.sentence(baseline))
    if taught:
        say(f"{', '.join(taught)} taught this baseline: what they show is kinder than the truth")
    return 0


def _beside(args: argparse.Namespace) -> int:
    """Print two baselines side by side."""
    from replay.checks import compare
    from replay.models import load_baseline

    if args.session:
        raise UsageError("--beside takes two versions and no session", todo="leave the names out")
    archive = open_archive(args.archive)
    first, second = (load_baseline(archive, version) for version in args.beside)
    laid = compare(first, second)
    drag = pl.DataFrame(
        [
            {
                "unit": u["unit"],
                f"drag {first.version}, A": u["least_drag_a"].first,
                f"drag {second.version}, A": u["least_drag_a"].second,
                f"hours {first.version}": u["hours"].first,
                f"hours {second.version}": u["hours"].second,
            }
            for u in laid["units"]
        ],
        infer_schema_length=None,
    )
    rows = [{"unit": u["unit"], **row} for u in laid["units"] for row in u["expected"]]
    expected = pl.DataFrame(rows, infer_schema_length=None)
    offer({"drag": drag, "expected": expected}, args.out)
    if args.json:
        print_json(laid)
        return 0
    for one in laid["baselines"]:
        print(
            f"{one['baseline']}: {counted(one['sessions'], 'session')} from "
            f"{one['first']:%Y-%m-%d} to {one['last']:%Y-%m-%d}, "
            f"{one['joint_hours']:.1f} joint-hours, score limit "
            f"{one['score_limit']:.2f}, expects {one['expected_rate']:.2g} false flags per 100 "
            "joint-hours"
        )
    for key, one in (("only_first", first), ("only_second", second)):
        if laid[key]:
            print(f"taught {one.version} alone: {', '.join(laid[key])}")
    print("\ndrag that becomes a flag when it lasts 13 s of usual motion; hours of learning")
    print_table(drag)
    if rows:
        print(
            "\nexpected current at steady speed without load, A; null where it was not seen; "
            "difference: second less first"
        )
        print_table(expected)
    return 0


def summary(baseline: Baseline) -> dict[str, object]:
    """Return what the JSON document says about a baseline."""
    from replay.checks import promise

    return {
        "baseline": baseline.version,
        "sessions": list(baseline.sessions),
        "asked_rate": baseline.asked,
        "expected_rate": promise.expected_rate(baseline),
        "bound": promise.bound(baseline),
        "promise": promise.sentence(baseline),
        "joint_hours": promise.hours(baseline),
        "units": [
            {
                "unit": name,
                "hours": unit.hours,
                "sessions": len(unit.sessions),
                "set_aside": list(unit.set_aside),
                "explained": {"moving": unit.explained},
                "temperature_c": [t for t in unit.temperature_range_c if t == t] or None,
            }
            for name, unit in sorted(baseline.units.items())
        ],
        "concerns": baseline.concerns(),
    }
