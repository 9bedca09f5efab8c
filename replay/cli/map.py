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


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this verb's arguments."""
    parser.add_argument("log", metavar="LOG", help="a log file")
    parser.add_argument("--out", metavar="FILE", help="write the map here")


def run(args: argparse.Namespace) -> int:
    """Run the verb."""
    if not Path(args.log).is_file():
        raise UsageError("no such file", file=args.log)
    proposal = propose_map(args.log)
    if args.out:
        Path(args.out).write_text(proposal.toml, encoding="utf-8")
        say(f"wrote {args.out}")
    if args.json:
        print_json(as_document(proposal))
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
