"""Propose a log map for a log, and say how sure each line is."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from replay.cli.main import EXIT_DONE, EXIT_SET_ASIDE
from replay.cli.output import print_json, say
from replay.errors import UsageError
from replay.logs import Proposal, propose_map
from replay.logs.proposing.proposal import told_together
from replay.logs.reference import reference


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this verb's arguments."""
    parser.add_argument("log", nargs="?", metavar="LOG", help="a log file")
    parser.add_argument(
        "--keys", action="store_true", help="print every key, time format, unit and word of a map"
    )
    parser.add_argument(
        "--review",
        action="store_true",
        help="show each line with the values it rests on and what would change its mind",
    )
    parser.add_argument("--out", metavar="FILE", help="write the map here")


def run(args: argparse.Namespace) -> int:
    """Run the verb."""
    if args.keys:
        print(reference(), end="")
        return EXIT_DONE
    if args.log is None or not Path(args.log).is_file():
        raise UsageError("no such file", file=args.log)
    proposal = propose_map(args.log)
    if args.out:
        Path(args.out).write_text(proposal.toml, encoding="utf-8")
        say(f"wrote {args.out}")
    if args.json:
        print_json(as_document(proposal))
    elif args.review:
        for text in reviewed(proposal):
            print(text)
    elif not args.out:
        print(proposal.toml, end="")
    for text in proposal.said:
        say(f"left out: {text}")
    for text in proposal.missing:
        say(f"missing: {text}")
    if proposal.unused:
        say(f"not used: {told_together(proposal.unused)}")
    for line in proposal.doubts:
        say(f"look at [{line.table}] {line.key} = {line.value}: {line.why or 'not sure'}")
    return EXIT_DONE if proposal.sure else EXIT_SET_ASIDE


def reviewed(proposal: Proposal) -> list[str]:
    """Return each line as a person reviews it: sure, doubtful or left out, and on what it rests."""
    used, doubtful = proposal.used, proposal.doubts
    out: list[str] = []
    for line in proposal.lines:
        mark = "?" if line in doubtful else " " if line in used else "-"
        out.append(f"{mark} [{line.table}] {line.key} = {line.value}   ({line.confidence:.2f})")
        if line.samples:
            out.append(f"      values: {', '.join(line.samples)}")
        if line.why:
            out.append(f"      because: {line.why}")
        if line.otherwise and line.confidence < _CERTAIN:
            out.append(f"      would change its mind: {line.otherwise}")
    out.append("? asks for you, - is not sure enough and stays a comment")
    return out


_CERTAIN = 0.95


def as_document(proposal: Proposal) -> dict[str, Any]:
    """Return the JSON document of a proposal."""
    return {
        "source": proposal.source,
        "sure": proposal.sure,
        "missing": proposal.missing,
        "left_out": proposal.said,
        "not_used": proposal.unused,
        "lines": proposal.lines,
        "toml": proposal.toml,
    }
