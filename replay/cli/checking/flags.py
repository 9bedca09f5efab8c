"""List, filter and export the flags of checked sessions, with what people concluded."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from pathlib import Path

import polars as pl

from replay.archive import Archive, open_archive
from replay.cli.checking.check import flag_rows
from replay.cli.known import joints_of, known_sessions, refuse_unknown
from replay.cli.output import offer, print_json, print_table, say
from replay.cli.tables import add_out, checked_out
from replay.errors import UsageError
from replay.records import FLAG_KINDS

SEVERITIES = ("note", "look", "act")
SHOWN = ("flag", "session", "joint", "kind", "severity", "verdict", "score", "start", "summary")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("session", nargs="*", help="only these sessions")
    parser.add_argument("--joint", help="only this joint")
    parser.add_argument("--kind", help=f"only this kind: {', '.join(FLAG_KINDS)}")
    parser.add_argument("--severity", help=f"only this severity: {', '.join(SEVERITIES)}")
    parser.add_argument("--since", metavar="TIME", help="only flags that end after this (ISO 8601)")
    parser.add_argument("--until", metavar="TIME", help="only flags that begin before this")
    parser.add_argument("--min-score", type=float, metavar="S", help="only scores from this on")
    add_out(parser)


def run(args: argparse.Namespace) -> int:
    """List the flags that pass the filters, what to look at first on top."""
    from replay.checks import flags, lost_flags

    if args.out is not None:
        checked_out(args.out)
    archive = open_archive(args.archive)
    # A name that is not there would pass for a quiet session or a healthy joint.
    known_sessions(archive, args.session)
    refuse_unknown("kind", args.kind, FLAG_KINDS)
    refuse_unknown("severity", args.severity, SEVERITIES)
    if args.joint is not None:
        refuse_unknown("joint", args.joint, joints_of(archive, args.session))
    frame = flags(
        archive,
        args.session or None,
        joint=args.joint,
        kind=args.kind,
        severity=args.severity,
        since=instant(args.since, "--since"),
        until=instant(args.until, "--until"),
        min_score=args.min_score,
    )
    for session, (kept, raised) in lost_flags(archive).items():
        if not args.session or session in args.session:
            say(f"{session}: flags lost, check again ({kept} of {raised} are left)")
    frame = with_verdicts(archive, frame)
    if args.out is not None and Path(args.out).suffix == ".json":
        offer({"flags": pl.DataFrame(flag_rows(frame), infer_schema_length=None)}, args.out)
    else:
        offer({"flags": frame}, args.out)
    if args.json:
        print_json({"flags": flag_rows(frame)})
    elif frame.height:
        print_table(frame.select(SHOWN))
    elif not args.out:
        print(f"no flags{_unchecked(archive, args.session)}")
    return 0


def with_verdicts(archive: Archive, frame: pl.DataFrame) -> pl.DataFrame:
    """Lay the verdict in force beside each flag; ``open`` where nobody decided."""
    from replay.reviews import OPEN, verdicts

    held = verdicts(archive).select("session", "flag", "verdict")
    return frame.join(held, on=["session", "flag"], how="left", maintain_order="left").with_columns(
        pl.col("verdict").fill_null(OPEN)
    )


def _unchecked(archive: Archive, sessions: list[str]) -> str:
    """Say how many sessions no check has judged: no flag there says nothing."""
    names = set(sessions or archive.sessions()["session"].to_list())
    checks = archive.table("checks")
    left = names - set(checks["session"].to_list() if checks.height else ())
    if not left:
        return ""
    return f"; {len(left)} of {len(names)} sessions are not checked yet: jointbook check"


def instant(text: str | None, option: str) -> datetime | None:
    """Read an ISO 8601 instant; UTC when no zone is given."""
    if text is None:
        return None
    try:
        value = datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(
            f"{option}: {text!r} is not a time", todo="write it as 2031-03-01T09:00:00Z"
        ) from None
    return value if value.tzinfo else value.replace(tzinfo=UTC)
