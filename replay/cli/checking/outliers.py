"""Find odd rows in a plain table of currents and speeds: one joint, a pump, a mill's axes.

Needs no archive and no map: name the columns. What is usual is learned from the table
itself, or from another one with --learn-from; each row is then judged by what its
currents usually are at its speeds and conditions, at rest and in motion apart.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import numpy as np
import polars as pl

from replay.cli.main import EXIT_DONE, EXIT_SET_ASIDE
from replay.cli.output import offer, print_json, print_table, say
from replay.cli.tables import add_out, checked_out
from replay.errors import LogRefused, UsageError, first_line
from replay.wording import counted

MOST = 20
_PLACE = "place of the row"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this verb's arguments."""
    parser.add_argument("file", metavar="FILE", help="a table: text, spreadsheet, Parquet, Arrow")
    parser.add_argument(
        "--current", nargs="+", required=True, metavar="COL", help="columns of current, any unit"
    )
    parser.add_argument(
        "--speed", nargs="+", default=[], metavar="COL", help="their signed speeds, in that order"
    )
    parser.add_argument(
        "--condition", nargs="+", default=[], metavar="COL", help="what else a current depends on"
    )
    parser.add_argument("--learn-from", metavar="FILE", help="a table of usual rows (FILE itself)")
    parser.add_argument(
        "--share", type=float, default=0.01, help="share of the learned rows to call odd (0.01)"
    )
    parser.add_argument(
        "--most", type=int, default=MOST, metavar="N", help=f"print the N oddest rows ({MOST})"
    )
    add_out(parser)


def run(args: argparse.Namespace) -> int:
    """Run the verb."""
    from replay.models.table_outliers import table_outliers

    if args.out:
        checked_out(args.out)
    names = [*args.current, *args.speed, *args.condition]
    table, aside = _read(args.file, names)
    usual, usual_aside = _read(args.learn_from, names) if args.learn_from else (None, 0)
    found = table_outliers(
        table, args.current, args.speed, args.condition, usual=usual, share=args.share
    )
    odd = found.rows.filter("outlier").sort("score", "row").drop("outlier")
    for column, count in found.not_judged.items():
        say(f"not judged: {count} of {table.height} rows have no number in {column!r}")
    for column, count in found.not_learned.items():
        rows = f"{counted(count, 'row')} of {args.learn_from}"
        say(f"not learned from: {rows} without a number in {column!r}")
    for file, count in ((args.file, aside), (args.learn_from, usual_aside)):
        if count:
            say(f"not read: {counted(count, 'row')} of {file}, not of the shape of its columns")
    if not args.speed:
        say("no speed was named: every row is judged as one at rest")
    offer({"outliers": found.rows}, args.out)
    if args.json:
        print_json(
            {
                "file": args.file,
                "learned_from": args.learn_from or args.file,
                "learned_rows": found.learned_rows,
                "judged_rows": found.rows.height,
                "not_judged": found.not_judged,
                "not_read": aside,
                "not_learned": found.not_learned,
                "not_read_of_learned": usual_aside,
                "limit": found.limit,
                "outliers": odd,
            }
        )
    elif not args.out:
        of = args.learn_from or "the table itself"
        print(
            f"{odd.height} of {found.rows.height} judged rows are odd; what is usual was learned "
            f"from {counted(found.learned_rows, 'row')} of {of}"
        )
        print_table(odd.head(max(args.most, 0)))
    left_out = found.not_judged or found.not_learned or aside or usual_aside
    return EXIT_SET_ASIDE if left_out else EXIT_DONE


def _read(file: str, names: list[str]) -> tuple[pl.DataFrame, int]:
    """Return the named columns of a table as numbers, and how many rows could not be read."""
    from replay.logs.readers.open_log import open_log

    path = Path(file)
    if not path.is_file():
        raise UsageError("no such file", file=file)
    with tempfile.TemporaryDirectory() as scratch:
        raw = open_log(path, Path(scratch))
        for name in names:
            if name not in raw.columns:
                raise UsageError(
                    f"no column {name!r}", file=file, todo=f"there are {', '.join(raw.columns)}"
                )
        wanted = frozenset(names)
        try:
            frame = raw.scan(sorted(wanted), wanted).collect()
        except pl.exceptions.PolarsError as error:
            if raw.scrub is None:
                raise LogRefused(first_line(error), file=path) from None
            raw = raw.scrub(Path(scratch))
            frame = raw.scan(sorted(wanted), wanted).collect()
    text = pl.col(pl.String).str.strip_chars(" \t\"'")
    if raw.decimal_comma:
        text = text.str.replace(",", ".", literal=True)
    frame = frame.with_columns(text.cast(pl.Float64, strict=False))
    if not raw.removed:
        return frame, 0
    # a row's number is its place in the file: what could not be read is a row without numbers
    place = np.arange(1, frame.height + len(raw.removed) + 1)
    kept = pl.DataFrame({_PLACE: place[~np.isin(place, raw.removed)]}).hstack(frame)
    return pl.DataFrame({_PLACE: place}).join(kept, on=_PLACE, how="left").drop(_PLACE), len(
        raw.removed
    )
