"""Write a report: of a session, of a batch of sessions, of one joint unit.

One self-contained HTML file and one PDF with the same content. A session's
says what moved, what was found and decided, brakes, margins, wear and what it
all rests on; several sessions, an arm or a span of days make a summary; --unit
makes a maintainer's sheet. A report advises; it never clears an arm.
"""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from replay.archive import Archive, open_archive
from replay.cli.output import print_json, say
from replay.errors import UsageError

if TYPE_CHECKING:
    from replay.reports import Report

FORMS = ("html", "pdf")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("session", nargs="*", help="one session; several make a summary")
    parser.add_argument("--arm", metavar="NAME", help="a summary of this arm's sessions")
    parser.add_argument("--since", metavar="DATE", help="a summary of sessions from then on")
    parser.add_argument("--until", metavar="DATE", help="and before then")
    parser.add_argument("--title", metavar="WORDS", help="the summary's title: a campaign's name")
    parser.add_argument("--unit", metavar="SERIAL", help="the sheet of one joint unit")
    parser.add_argument("--rule", metavar="NAME", help="margin rule by name, or a TOML file")
    parser.add_argument("--out", default=".", metavar="DIR", help="folder to write to (.)")
    parser.add_argument(
        "--form", choices=(*FORMS, "both"), default="both", help="what to write (both)"
    )


def run(args: argparse.Namespace) -> int:
    """Make the report and write it."""
    made = _report(open_archive(args.archive), args)
    folder = Path(args.out)
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for form in FORMS if args.form == "both" else (args.form,):
        path = folder / f"{made.name}.{form}"
        path.write_bytes(made.html.encode() if form == "html" else made.pdf())
        written.append(str(path))
        say(f"written: {path}")
    if args.json:
        print_json({"title": made.title, "files": written})
    return 0


def _report(archive: Archive, args: argparse.Namespace) -> Report:
    from replay.reports import session_report, summary_report, unit_report

    batch = args.arm or args.since or args.until or len(args.session) > 1
    if args.unit:
        if args.session or batch:
            raise UsageError("a unit's sheet covers all its sessions", todo="--unit alone")
        return unit_report(archive, args.unit)
    if len(args.session) == 1 and not batch:
        return session_report(archive, args.session[0], rule=args.rule)
    if not batch:
        raise UsageError(
            "a report of what?",
            todo="a session, several, --arm, --since, or --unit; `jointbook queue` lists sessions",
        )
    return summary_report(
        archive,
        sessions=args.session or None,
        arm=args.arm,
        since=_date(args.since),
        until=_date(args.until),
        title=args.title,
    )


def _date(text: str | None) -> datetime | None:
    if text is None:
        return None
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(f"{text!r} is not an ISO 8601 date", todo="as 2031-04-02") from None
    return when.replace(tzinfo=UTC) if when.tzinfo is None else when.astimezone(UTC)
