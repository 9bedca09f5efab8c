"""Replay detection on sessions whose events are known, beside plain detectors.

Events come from truth files, or, without any, from the verdicts that people
gave on past flags. Recall counts events that a flag overlaps, with no point
adjustment; intervals are 90 %.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import polars as pl

from replay.archive import open_archive
from replay.cli.checking.learn import accepted
from replay.cli.output import Bar, offer, print_json, print_table, say
from replay.cli.tables import add_out, checked_out
from replay.errors import UsageError
from replay.wording import counted


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("--truth", action="append", default=[], metavar="FILE", help="known events")
    parser.add_argument("--baseline", metavar="VERSION", help="judge by this one, learn nothing")
    parser.add_argument(
        "--false-flags-per-100h",
        type=float,
        default=1.0,
        metavar="X",
        help="false flags allowed per 100 joint-hours (1)",
    )
    add_out(parser)


def run(args: argparse.Namespace) -> int:
    """Judge, tally and print."""
    from replay.checks import promise
    from replay.checks.backtest import backtest
    from replay.checks.matching import known_events
    from replay.models import load_baseline
    from replay.reviews.judgements import learning

    accepted(args.false_flags_per_100h)
    if args.out is not None:
        checked_out(args.out)
    archive = open_archive(args.archive)
    frame = archive.sessions()
    baseline = load_baseline(archive, args.baseline) if args.baseline else None
    if args.truth:
        documents = [_read(Path(p)) for p in args.truth]
        sources = {
            Path(row["source"]).name: row["session"] for row in frame.to_dicts() if row["source"]
        }
        known = known_events(documents, sources)
        listed = {str(e["source"]) for d in documents for e in d["sessions"]}
        sessions = [sources[s] for s in sorted(listed) if s in sources]
        missing = sorted(listed - set(sources))
        if missing:
            say(f"not in the archive, left out: {', '.join(missing)}")
    else:
        known = learning.known_events(archive)
        sessions = learning.judged_sessions(archive)
        left = archive.table("checks").height - len(sessions)
        if left:
            some = counted(
                left, "checked session has open findings", "checked sessions have open findings"
            )
            say(f"{some}: what happened there is not known yet")
    if not known:
        raise UsageError(
            "no known events: no truth file, and no verdict on a flag that upholds it",
            todo="name a truth file with --truth, or review some flags first",
        )
    with Bar() as bar:
        result = backtest(
            archive,
            known,
            sessions or [k.session for k in known],
            asked=args.false_flags_per_100h,
            baseline=baseline,
            progress=bar.show,
        )
    summary = result.summary()
    ours = next(iter(summary["detectors"].values()))
    detectors = pl.DataFrame([_line(n, d) for n, d in summary["detectors"].items()])
    kinds = pl.DataFrame(
        [
            {
                "kind": kind,
                "recall": _share(v["recall"]),
                "right kind": _share(v["right_kind"]),
                "median delay": _seconds(v["median_delay_s"]),
            }
            for kind, v in ours["kinds"].items()
        ]
    )
    offer({"detectors": detectors, "kinds": kinds}, args.out)
    if args.json:
        print_json(summary)
        return 0
    print(
        f"{counted(summary['sessions_with_events'], 'session')} with events, "
        f"{summary['healthy_sessions']} without; asked: "
        f"{args.false_flags_per_100h:g} false flags per 100 joint-hours"
    )
    if baseline is None:
        print(
            "learned afresh: sessions with events are judged by all healthy ones, healthy ones by "
            "the other half of them, so their false flags are those of half as much teaching"
        )
    else:
        print(f"judged by {baseline.version}: {promise.sentence(baseline)}")
    print_table(detectors)
    print("in brackets: 90 % intervals; delay: median of abrupt faults, from onset to flag's onset")
    print_table(kinds)
    return 0


def _line(name: str, d: dict[str, Any]) -> dict[str, str]:
    rate = d["false_per_100h"]
    row = {"detector": name, "recall": _share(d["recall"])}
    row |= {f"recall {g}": _share(v) for g, v in d["by_grade"].items() if g}
    row |= {
        "right joint": _share(d["right_joint"]),
        "right kind": _share(d["right_kind"]) if name == "jointbook" else "says none",
        "delay": _seconds(d["median_delay_s"]),
        "false flags per 100 h": f"{rate['value']:.2g} ({rate['low']:.2g} to {rate['high']:.2g})",
    }
    return row


def _share(value: dict[str, Any]) -> str:
    if value["value"] is None:
        return "none"
    return f"{value['value']:.0%} ({value['low']:.0%} to {value['high']:.0%}, n {value['n']})"


def _seconds(value: float | None) -> str:
    return "none" if value is None else f"{value:.1f} s"


def _read(path: Path) -> dict[str, Any]:
    try:
        document = json.loads(path.read_text())
    except (OSError, ValueError) as error:
        raise UsageError(f"{path}: cannot read this truth file: {error}") from error
    if not isinstance(document, dict):
        raise UsageError(f"{path}: a truth file is one JSON object with `sessions`")
    return document
