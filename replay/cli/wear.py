"""Trend each joint unit's wear over its sessions, with honest intervals.

Measures the sessions that were not measured yet, then gives per unit and
indicator the slope, its 90 % interval and a verdict. With a limit, also the
date when it is reached. It advises; whether a unit stays in service is decided
by the operator's own rules.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import polars as pl

from replay.archive import Archive, open_archive
from replay.cli.main import EXIT_DONE
from replay.cli.output import iso, print_json, print_table, progress, say
from replay.errors import UsageError
from replay.records import Trend


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of this verb."""
    parser.add_argument("--joint", help="show only this joint")
    parser.add_argument("--indicator", help='show only this one, such as "margin left"')
    parser.add_argument("--serial", help="show only the unit with this serial number")
    parser.add_argument(
        "--against",
        choices=["time", "travel", "brake-cycles", "work"],
        default="time",
        help="what wear is drawn against (time)",
    )
    parser.add_argument(
        "--fleet", action="store_true", help="one row a unit, what needs attention first"
    )
    parser.add_argument(
        "--look-back",
        action="store_true",
        help="stand at past dates, project, and say how often the intervals held",
    )
    parser.add_argument("--out", metavar="FILE", help="write the trends as .csv, .parquet or .json")
    parser.add_argument(
        "--limit",
        action="append",
        default=[],
        metavar="[SERIAL/]INDICATOR=VALUE",
        help="keep a limit in the archive and project to it; an empty value removes it",
    )
    parser.add_argument(
        "--note",
        nargs="+",
        metavar=("SERIAL DATE WHAT", "DETAIL"),
        help="record maintenance: replaced, relubricated, repaired, adjusted or inspected",
    )


def run(args: argparse.Namespace) -> int:
    """Run the verb; return its exit code."""
    from replay.wear import add_maintenance, fleet, indicators, trends

    out = _checked_out(args.out)
    archive = open_archive(args.archive)
    for text in args.limit:
        _keep_limit(archive, text)
    note = None
    if args.note:
        if len(args.note) < 3:
            raise UsageError("--note takes SERIAL DATE WHAT and, if you like, more words")
        serial, when, what, *detail = args.note
        note = add_maintenance(archive, serial, when, what, " ".join(detail))
        say(f"noted: {serial} {what} on {when}")
    indicators(archive, progress=lambda todo: progress(todo, what="measuring"))
    found = trends(
        archive,
        joint=args.joint,
        indicator=args.indicator,
        serial=args.serial,
        against=args.against,
    )
    if out is not None:
        _write(out, found)
        say(f"{len(found)} trends written to {out}")
    if args.json:
        document: dict[str, Any] = {"trends": [_without_spark(t) for t in found]}
        if args.fleet:
            document["fleet"] = fleet(archive, every=bool(args.indicator))
        if args.look_back:
            document["look_back"] = _looked_back(archive)
        if note is not None:
            document["note"] = note
        print_json(document)
    elif args.look_back:
        _print_look_back(_looked_back(archive))
    elif args.fleet:
        _print_fleet(fleet(archive))
    elif out is None:
        _print(found, bool(args.joint or args.indicator or args.serial))
    return EXIT_DONE


def _without_spark(t: Trend) -> Trend:
    return replace(t, detail={k: v for k, v in t.detail.items() if k != "spark"})


def _keep_limit(archive: Archive, text: str) -> None:
    from replay.wear import set_limit

    key, equals, value = text.rpartition("=")
    if not equals or not key.strip():
        raise UsageError(f"--limit {text!r} is not INDICATOR=VALUE")
    serial, _, indicator = key.rpartition("/")
    try:
        number = float(value) if value.strip() else None
    except ValueError:
        raise UsageError(f"--limit {text!r}: {value!r} is not a number") from None
    set_limit(archive, indicator.strip(), number, serial=serial.strip() or None)


def _checked_out(name: str | None) -> Path | None:
    if name is None:
        return None
    path = Path(name)
    if path.suffix not in (".csv", ".parquet", ".json"):
        raise UsageError(f"--out {name}: the ending must be .csv, .parquet or .json")
    return path


def _write(path: Path, found: list[Trend]) -> None:
    if path.suffix == ".json":
        import orjson

        from replay.cli.output import plain

        document = {"trends": [_without_spark(t) for t in found]}
        path.write_bytes(orjson.dumps(plain(document), option=orjson.OPT_INDENT_2))
        return
    from replay.wear.table import trend_table

    table = trend_table(found)
    if path.suffix == ".csv":
        table.write_csv(path, datetime_format="%Y-%m-%dT%H:%M:%SZ")
    else:
        table.write_parquet(path)


def _print(found: list[Trend], chosen: bool) -> None:
    if not found and chosen:
        say("no trend of that joint, indicator or unit; `jointbook wear` alone lists all")
        return
    if not found:
        say("no indicators: no session in the archive has a joint that moved")
        return
    print_table(
        pl.DataFrame(
            {
                "joint": [t.joint for t in found],
                "unit": [t.serial for t in found],
                "indicator": [t.indicator for t in found],
                "sessions": [t.n for t in found],
                "last": [_number(t.last_value, t.unit) for t in found],
                "per year (90 %)": [_interval(t) for t in found],
                "verdict": [t.verdict for t in found],
                "since": [iso(t.since)[:10] if t.since else "" for t in found],
                "limit": [_limit(t) for t in found],
            }
        )
    )


def _print_fleet(table: pl.DataFrame) -> None:
    print_table(
        table.select(
            "arm",
            "joint",
            pl.col("serial").alias("unit"),
            "attention",
            "why",
            pl.col("limit_date").dt.strftime("%Y-%m-%d").fill_null("").alias("limit date"),
            pl.col("confidence").round(3),
        )
    )


def _looked_back(archive: Archive) -> dict[str, Any]:
    from replay.wear.lookback import coverage, look_back

    stands = look_back(archive)
    total = coverage(stands)
    units = sorted({(s.serial, s.indicator) for s in stands})
    return {
        "stands": total.stands,
        "held": total.held,
        "share": total.share,
        "claimed": total.claimed,
        "histories": [{"serial": s, "indicator": i} for s, i in units],
    }


def _print_look_back(found: dict[str, Any]) -> None:
    if not found["stands"]:
        say("no history has crossed its limit yet, so no projection can be judged")
        return
    print(
        f"{found['held']} of {found['stands']} intervals, made at past dates over "
        f"{len(found['histories'])} histories, held the true date: {found['share']:.0%}, "
        f"claimed {found['claimed']:.0%}"
    )


def _number(value: float | None, unit: str) -> str:
    return "" if value is None else f"{value:.3g} {unit}"


def _interval(t: Trend) -> str:
    if t.slope_per_year is None or t.slope_low is None or t.slope_high is None:
        return str(t.detail.get("reason", ""))
    return f"{t.slope_per_year:+.3g} ({t.slope_low:+.2g} to {t.slope_high:+.2g})"


def _limit(t: Trend) -> str:
    projection = t.detail.get("projection")
    if not projection:
        return ""

    def day(value: datetime | None) -> str:
        return "later" if value is None else iso(value)[:10]

    if projection["word"] in ("projected", "passed"):
        return f"{day(projection['date'])} ({day(projection['date_low'])} to " + (
            f"{day(projection['date_high'])})"
        )
    if projection["word"] == "beyond":
        return f"not before {day(projection['date_low'])}"
    return "not in sight"
