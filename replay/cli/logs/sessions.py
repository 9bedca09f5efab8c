"""List the archive's sessions: when, which arm, how long, how complete, flags and verdicts.

The beginning of a session's name, or its last part, stands for the whole one in every command.
"""

from __future__ import annotations

import argparse
from datetime import datetime
from typing import Any

import polars as pl

from replay.archive import Archive, open_archive
from replay.archive.completeness import per_cent
from replay.cli.checking.flags import instant
from replay.cli.known import known_arm, known_sessions
from replay.cli.main import EXIT_DONE
from replay.cli.output import offer, print_json, print_table, say
from replay.cli.tables import add_out, checked_out

COLUMNS: dict[str, Any] = {
    "session": pl.String(),
    "start": pl.Datetime("us", "UTC"),
    "end": pl.Datetime("us", "UTC"),
    "arm": pl.String(),
    "source": pl.String(),
    "seconds": pl.Float64(),
    "completeness": pl.Float64(),
    "checked": pl.Boolean(),
    "flags": pl.Int64(),
    "verdicts": pl.Int64(),
}
"""Of the table that is written; without a session it has them, too."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this verb's arguments."""
    parser.add_argument("session", nargs="*", metavar="SESSION", help="only these (all)")
    parser.add_argument("--arm", metavar="ARM", help="only this arm's")
    parser.add_argument("--since", metavar="DATE", help="only from this date on, 2031-03-01")
    add_out(parser)


def run(args: argparse.Namespace) -> int:
    """Run the verb."""
    archive = open_archive(args.archive)
    if args.out is not None:
        checked_out(args.out)
    # A name that is not there would pass for a session or an arm that nobody logged.
    known_sessions(archive, args.session)
    known_arm(archive, args.arm)
    since = instant(args.since, "--since")
    rows = listed(archive)
    if args.session:
        rows = [r for r in rows if r["session"] in set(args.session)]
    if args.arm:
        rows = [r for r in rows if r["arm"] == args.arm]
    if since is not None:
        rows = [r for r in rows if r["start"] >= since]
    offer({"sessions": pl.DataFrame(rows, schema=COLUMNS)}, args.out)
    if args.json:
        print_json({"archive": str(archive.place), "sessions": rows})
        return EXIT_DONE
    if not rows:
        say("no session fits" if args.session or args.arm or args.since else "no sessions yet")
        return EXIT_DONE
    print_table(
        pl.DataFrame(
            {
                "session": [r["session"] for r in rows],
                "start": [f"{r['start']:%Y-%m-%d %H:%M:%S}" for r in rows],
                "arm": [r["arm"] for r in rows],
                "length": [_length(r["seconds"]) for r in rows],
                "complete": [_share(r["completeness"]) for r in rows],
                "flags": [_flags(r) for r in rows],
                "verdicts": [str(r["verdicts"]) if r["verdicts"] else "" for r in rows],
                "source": [r["source"][:40] for r in rows],
            }
        )
    )
    return EXIT_DONE


def listed(archive: Archive) -> list[dict[str, Any]]:
    """Return one row a session, in the order of their starts."""
    frame = archive.sessions()
    if not frame.height:
        return []
    flags, verdicts = _counts(archive, "flags"), _verdicts(archive)
    checked = set(_counts(archive, "checks"))
    rows = []
    for name, arm, source, start, end, whole in (
        frame.sort("start")
        .select("session", "arm", "source", "start", "end", "completeness")
        .iter_rows()
    ):
        rows.append(
            {
                "session": name,
                "start": start,
                "end": end,
                "arm": arm,
                "source": source,
                "seconds": _seconds(start, end),
                "completeness": whole,
                "checked": name in checked,
                "flags": flags.get(name, 0),
                "verdicts": verdicts.get(name, 0),
            }
        )
    return rows


def _counts(archive: Archive, table: str) -> dict[str, int]:
    frame = archive.table(table)
    if not frame.height:
        return {}
    return dict(frame.group_by("session").len().iter_rows())


def _verdicts(archive: Archive) -> dict[str, int]:
    from replay.reviews import verdicts

    frame = verdicts(archive)
    if not frame.height or "session" not in frame.columns:
        return {}
    return dict(frame.group_by("session").len().iter_rows())


def _seconds(start: datetime, end: datetime) -> float:
    return (end - start).total_seconds()


def _length(seconds: float) -> str:
    hours, rest = divmod(round(seconds), 3600)
    return f"{hours}:{rest // 60:02d}:{rest % 60:02d}"


def _share(whole: float | None) -> str:
    return "" if whole is None else per_cent(whole, 1)


def _flags(row: dict[str, Any]) -> str:
    return str(row["flags"]) if row["checked"] or row["flags"] else "not checked"
