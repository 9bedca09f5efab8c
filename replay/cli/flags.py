"""List, filter and export the flags of checked sessions."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from pathlib import Path

import polars as pl

from replay.archive import open_archive
from replay.cli.check import flag_rows
from replay.cli.output import plain, print_json, print_table, say
from replay.errors import UsageError
from replay.records import FLAG_KINDS


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("session", nargs="*", help="only these sessions")
    parser.add_argument("--joint", help="only this joint")
    parser.add_argument("--kind", choices=FLAG_KINDS, help="only this kind")
    parser.add_argument("--severity", choices=("note", "look", "act"), help="only this severity")
    parser.add_argument("--since", metavar="TIME", help="only flags that end after this (ISO 8601)")
    parser.add_argument("--until", metavar="TIME", help="only flags that begin before this")
    parser.add_argument("--min-score", type=float, metavar="S", help="only scores from this on")
    parser.add_argument("--out", metavar="FILE", help="write to .csv, .parquet or .json")


def run(args: argparse.Namespace) -> int:
    """List the flags that pass the filters, what to look at first on top."""
    from replay.checks import flags, lost_flags

    archive = open_archive(args.archive)
    for session in args.session:
        archive.session(session)  # a name that is not there would pass for a quiet session
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
    if args.out:
        export(frame, Path(args.out))
    if args.json:
        print_json({"flags": flag_rows(frame)})
    elif frame.height:
        print_table(
            frame.select("session", "joint", "kind", "severity", "score", "start", "summary")
        )
    elif not args.out:
        print("no flags")
    return 0


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


def export(frame: pl.DataFrame, path: Path) -> None:
    """Write flags to a file whose ending says the format."""
    import orjson

    if path.suffix == ".csv":
        frame.write_csv(path, datetime_format="%Y-%m-%dT%H:%M:%S%.fZ")
    elif path.suffix == ".parquet":
        frame.write_parquet(path)
    elif path.suffix == ".json":
        path.write_bytes(
            orjson.dumps({"flags": plain(flag_rows(frame))}, option=orjson.OPT_INDENT_2)
        )
    else:
        raise UsageError(
            f"--out: no such format {path.suffix!r}", todo="end it in .csv, .parquet or .json"
        )
