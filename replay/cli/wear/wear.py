"""Trend each joint unit's wear over its sessions, with honest intervals.

Measures the sessions that were not measured yet, then gives per unit and
indicator the slope, its 90 % interval and a result. With a limit, also the
date when it is reached. It advises; whether a unit stays in service is decided
by the operator's own rules.
"""

# Longer than 245 lines because one command's options and its tables are read against its
# help.

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import Any

import orjson
import polars as pl

from replay.archive import Archive, open_archive
from replay.cli.known import joints_of, refuse_unknown
from replay.cli.main import EXIT_DONE
from replay.cli.output import (
    FORMER_KEYS,
    iso,
    offer,
    print_json,
    print_table,
    progress,
    say,
    with_former_keys,
)
from replay.cli.tables import add_out, checked_out
from replay.cli.who_works import add_workers, values_of, who_works
from replay.errors import UsageError
from replay.records import Trend
from replay.wording import counted

MEASURE_FORMATS = (".csv", ".parquet")
"""Every session's indicators are a large table: no JSON."""


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
    parser.add_argument(
        "--duty", action="store_true", help="what each unit has done since it was installed"
    )
    add_out(parser)
    parser.add_argument(
        "--measures",
        metavar="FILE",
        help="write every session's indicators, with standard errors, as .csv or .parquet",
    )
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
    parser.add_argument(
        "--as", dest="who", default="", metavar="NAME", help="who sets the limit or wrote the note"
    )
    parser.add_argument(
        "--new-unit",
        action="store_true",
        help="the note is about a unit that no session has named yet, such as a spare",
    )
    add_workers(parser)


def run(args: argparse.Namespace) -> int:
    """Run the verb; return its exit code."""
    from replay.wear import add_maintenance, duty, fleet, indicators, trends
    from replay.wear.catalogue import present_name
    from replay.wear.indicators import bring_up_to_date

    out = None if args.out is None else checked_out(args.out)
    measures = (
        None if args.measures is None else checked_out(args.measures, MEASURE_FORMATS, "--measures")
    )
    if args.note and len(args.note) < 3:
        raise UsageError("--note takes SERIAL DATE WHAT and, if you like, more words")
    archive = open_archive(args.archive)
    with who_works(args, archive.count(), values_of(archive)) as each:
        bring_up_to_date(archive, progress=lambda todo: progress(todo, what="measuring"), each=each)
    for text in args.limit:
        _keep_limit(archive, text, args.who)
    note = None
    if args.note:
        serial, when, what, *detail = args.note
        note = add_maintenance(
            archive, serial, when, what, " ".join(detail), new_unit=args.new_unit, by=args.who
        )
        say(f"noted: {serial} {what} on {when}")
    if (args.limit or args.note) and not args.who:
        say("kept without a name; --as NAME puts one on record")
    wanted = present_name(args.indicator) if args.indicator else None
    chosen = {"joint": args.joint, "serial": args.serial, "indicator": wanted}
    for word, name in chosen.items():
        if name is not None and not _is_known(archive, word, name):
            refuse_unknown(word, name, _known(archive, word))
    found = trends(archive, against=args.against, **chosen)
    document: dict[str, Any] = {"trends": [_without_spark(t) for t in found]}
    document["duty"] = _only(duty(archive, args.serial), chosen)
    if args.fleet:
        document["fleet"] = _only(fleet(archive, every=bool(args.indicator)), chosen)
    if args.look_back:
        document["look_back"] = _looked_back(archive)
    document["not_measured"] = _not_measured(archive, found)
    if note is not None:
        document["note"] = note
    if measures is not None:
        flat = _only(indicators(archive), chosen)
        flat = flat.drop("bracket_low", "bracket_high", strict=False)
        offer({"indicators": flat}, args.measures)
    if out is not None:
        shown = "fleet" if args.fleet else "duty" if args.duty else "trends"
        _write(out, shown, found, document)
    if args.json:
        print_json(with_former_keys(document))
    elif args.look_back:
        _print_look_back(document["look_back"])
    elif args.fleet:
        _print_fleet(document["fleet"])
    elif args.duty:
        _print_duty(document["duty"])
    elif out is None and measures is None:
        _print(found, any(chosen.values()))
        if not chosen["indicator"]:
            every = None if any(chosen.values()) else len({t.serial for t in found})
            _say_not_measured(document["not_measured"], every)
    return EXIT_DONE


def _only(table: pl.DataFrame, chosen: dict[str, str | None]) -> pl.DataFrame:
    """Return the rows that were asked for; a fleet keeps a unit's most pressing row."""
    for name, value in chosen.items():
        if value is not None and name in table.columns:
            table = table.filter(pl.col(name) == value)
    return table


def _not_measured(archive: Archive, found: list[Trend]) -> list[dict[str, str]]:
    """Return what was not measured of each unit that is shown, with the reason."""
    from replay.wear.reference.store import load
    from replay.wear.units.not_measured import not_measured_of

    rows, references = [], load(archive)
    serials = sorted({t.serial for t in found})
    measured = archive.rows_of_units("indicators", serials, ("serial", "indicator")).unique()
    for serial in serials:
        own = set(measured.filter(pl.col("serial") == serial)["indicator"])
        for name, why in not_measured_of(archive, serial, own, references):
            rows.append({"serial": serial, "indicator": name, "reason": why})
    return rows


def _say_not_measured(missing: list[dict[str, str]], every: int | None) -> None:
    """Say what was not measured, of which units, and why; ``every`` counts the archive's."""
    of: dict[tuple[str, str], list[str]] = {}
    for row in missing:
        of.setdefault((row["indicator"], row["reason"]), []).append(row["serial"])
    for (name, why), serials in of.items():
        where = "in any session" if len(serials) == every else f"of {', '.join(serials)}"
        say(f"not measured {where}: {name} ({why})")


def _without_spark(t: Trend) -> Trend:
    return replace(t, detail={k: v for k, v in t.detail.items() if k != "spark"})


def _keep_limit(archive: Archive, text: str, who: str) -> None:
    from replay.wear import set_limit

    key, equals, value = text.rpartition("=")
    if not equals or not key.strip():
        raise UsageError(f"--limit {text!r} is not INDICATOR=VALUE")
    serial, _, indicator = key.rpartition("/")
    try:
        number = float(value) if value.strip() else None
    except ValueError:
        raise UsageError(f"--limit {text!r}: {value!r} is not a number") from None
    set_limit(archive, indicator.strip(), number, serial=serial.strip() or None, by=who)


def _is_known(archive: Archive, word: str, name: str) -> bool:
    """Tell at once of most joints, serials or indicators that they can be asked for."""
    from replay.wear.catalogue import INDICATORS
    from replay.wear.units.in_sessions import units_measured

    if word == "indicator":
        return name in {i.name for i in INDICATORS}
    units = units_measured(archive)
    return name in units if word == "serial" else any(name in joints for joints in units.values())


def _known(archive: Archive, word: str) -> list[str]:
    """Return the joints, serials or indicators that can be asked for."""
    from replay.wear import indicators
    from replay.wear.catalogue import INDICATORS

    measured = indicators(archive)
    names = measured[word].drop_nulls().unique().sort().to_list() if measured.height else []
    if word == "indicator":
        return [*names, *(i.name for i in INDICATORS)]
    if word == "joint":
        return [*names, *joints_of(archive)]
    if word == "serial":
        notes = archive.table("maintenance")
        names += notes["serial"].to_list() if notes.height else []
        units = (archive.session(s).units for s in archive.sessions()["session"])
        return [*names, *(u for one in units for u in one.values())]
    return [str(n) for n in names]


def _write(path: Path, shown: str, found: list[Trend], document: dict[str, Any]) -> None:
    from replay.wear.units.trend_table import trend_table

    if path.suffix == ".json":
        kept = with_former_keys({shown: document[shown]})
        path.write_bytes(orjson.dumps(kept, option=orjson.OPT_INDENT_2))
        say(f"{counted(len(document[shown]), 'row')} written to {path}")
        return
    table = trend_table(found) if shown == "trends" else document[shown]
    if "result" in table.columns:  # scripts know the column by its former name
        table = table.with_columns(pl.col("result").alias(FORMER_KEYS["result"]))
    offer({shown: table}, str(path))


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
                f"per {_axis(found)} (90 %)": [_interval(t) for t in found],
                "result": [t.result for t in found],
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
    from replay.wear.assessment.projection_backtest import (
        PastProjection,
        backtest_projections,
        coverage,
    )

    stands = backtest_projections(
        archive, progress=lambda units: progress(units, what="looking back")
    )

    def counted(some: list[PastProjection]) -> dict[str, Any]:
        total = coverage(some)
        units = sorted({(s.serial, s.indicator) for s in some})
        return {
            "stands": total.stands,
            "held": total.held,
            "share": total.share,
            "claimed": total.claimed,
            "histories": [{"serial": s, "indicator": i} for s, i in units],
        }

    at_limits = counted([s for s in stands if s.of_limit])
    return at_limits | {"at_levels_reached": counted([s for s in stands if not s.of_limit])}


def _print_look_back(found: dict[str, Any]) -> None:
    if found["stands"]:
        print(_held(found, "when a limit would be reached"))
    else:
        say("no history has crossed its limit yet, so no date of a limit can be judged")
    reached = found["at_levels_reached"]
    if reached["stands"]:
        print(_held(reached, "when a level would be reached that the history has reached since"))
    else:
        say("no other history worsens for long enough to be asked after a level on its way")


def _held(found: dict[str, Any], asked: str) -> str:
    return (
        f"{asked}: {found['held']} of {found['stands']} intervals, made at past dates over "
        f"{len(found['histories'])} histories, held the moment ({found['share']:.0%}, claimed "
        f"{found['claimed']:.0%})"
    )


def _print_duty(table: pl.DataFrame) -> None:
    if not table.height:
        say("no use is counted: no session in the archive has a joint that moved")
        return
    wide = table.with_columns(
        pl.concat_str(
            pl.col("total").map_elements(lambda v: f"{v:.4g}", pl.String),
            pl.lit(" "),
            pl.col("unit").replace("1", ""),
        )
        .str.strip_chars()
        .alias("total")
    ).pivot("indicator", index=["arm", "joint", "serial"], values="total")
    first = table.group_by("serial").agg(
        pl.col("since").min().dt.strftime("%Y-%m-%d"), pl.col("sessions").max()
    )
    print_table(
        wide.join(first, on="serial", maintain_order="left")
        .rename({"serial": "unit"})
        .fill_null("")
    )


def _number(value: float | None, unit: str) -> str:
    return "" if value is None else f"{value:.3g} {unit}"


def _interval(t: Trend) -> str:
    from replay.wear.assessment.saying import rate

    if t.slope_per_year is None or t.slope_low is None or t.slope_high is None:
        return str(t.detail.get("reason", ""))
    unit = t.unit if t.unit == "%" else ""  # points; others stand beside the last value
    if t.detail["against"] != "time":
        low, high = t.detail["slope_axis_low"], t.detail["slope_axis_high"]
        return rate(t.detail["slope"], low, high, unit, "")
    return rate(t.slope_per_year, t.slope_low, t.slope_high, unit, "")


def _axis(found: list[Trend]) -> str:
    """Return what the slopes are counted per: a year, or the unit of use."""
    return str(found[0].detail["axis_unit"])


def _limit(t: Trend) -> str:
    from replay.wear.assessment.saying import due, line_date

    projection = t.detail.get("projection")
    if not projection:
        return ""
    trend = t.result != "steady"
    if "use" in projection and projection["word"] in ("projected", "passed"):
        return _limit_of_use(t, projection)
    if projection["word"] in ("projected", "passed"):
        line = line_date(projection)
        straight = f"; in a straight line {line:%Y-%m}" if line is not None else ""
        told = projection["word"] == "passed" or trend
        return (due(projection, trend=told) or "later") + straight
    if projection["word"] == "removed":
        return "unit is out"
    if projection["word"] == "beyond":
        return due(projection, trend=trend) or "later"
    return "not in sight"


def _limit_of_use(t: Trend, projection: dict[str, Any]) -> str:
    """Return the limit on the axis of use, and its date at the unit's mean use."""
    unit = str(t.detail["axis_unit"])
    thousands = 1000.0 if unit.startswith("1000 ") else 1.0

    def amount(value: float | None) -> str:
        return "more" if value is None else f"{thousands * value:.4g}"

    day = "later" if projection["date"] is None else iso(projection["date"])[:10]
    low, high = amount(projection["use_low"]), amount(projection["use_high"])
    unit = unit.removeprefix("1000 ")
    return f"{amount(projection['use'])} {unit} ({low} to {high}), about {day}"
