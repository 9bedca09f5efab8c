"""What the wear page asks of the engine.

Longer than 245 lines because it is the page's whole door to the engine: many short questions,
none worth a file.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

import polars as pl

from replay.archive import Archive
from replay.errors import DamageError, JointbookError, UsageError
from replay.record import clean_name
from replay.records import Trend
from replay.wear import (
    UnitHistory,
    add_maintenance,
    duty,
    fleet,
    set_limit,
    trends,
    unit_history,
)
from replay.wear.assessment.change_points import make_ready
from replay.wear.assessment.far_sessions import far_sessions
from replay.wear.assessment.places import OUT, REMOVED
from replay.wear.assessment.saying import (
    NO_TREND,
    due,
    rate,
    size_of_rate,
    why_not_the_line,
)
from replay.wear.assessment.trends import unjudged
from replay.wear.catalogue import INDICATORS, describe
from replay.wear.indicators import bring_up_to_date
from replay.wear.units.in_sessions import unmeasured_sessions
from replay.wear.units.maintenance import WORDS, maintenance
from replay.wear.units.not_measured import not_measured_of
from replay.wording import counted, kind_words, number

TOO_SMALL = "a trend, but too small over the history to matter"
"""Why a history is steady in spite of a trend, as the engine gives the reason."""

MAINTENANCE_WORDS = tuple(WORDS)
AGAINST = {
    "time": "time",
    "travel": "travel",
    "brake-cycles": "brake cycles",
    "work": "work of the motor",
}


def get_ready() -> None:
    """Load what the first history would otherwise wait for."""
    make_ready()


def fleet_table(archive: Archive) -> pl.DataFrame:
    """Return one row a unit, what needs attention first."""
    return fleet(archive, standing=True)


def fleet_by_date(archive: Archive, before: str = "") -> pl.DataFrame:
    """Return the fleet in the order in which limits fall due; the early end of each counts.

    Units with a date come first; those of which no trend leads to the limit follow, by the
    day before which their sessions rule it out, which is no forecast.
    ``before`` is a month or day (``2033-06``): only units whose interval begins
    before it, or whose limit is passed.

    Raises
    ------
    UsageError
        ``before`` is no month or day.
    """
    due = pl.coalesce("limit_date_low", "limit_date")
    every = fleet(archive, every=True, standing=True)
    dated = (
        every.filter(due.is_not_null())
        .sort(without_trend(), due)
        .unique("serial", keep="first", maintain_order=True)
    )
    if before:
        return dated.filter(due < _day(before))
    rest = fleet_table(archive).join(dated, on="serial", how="anti", maintain_order="left")
    return pl.concat([dated, rest])


def due_before_words(archive: Archive, before: str) -> str:
    """Return which units fall due before a month or day, which is next, and which have no date.

    Raises
    ------
    UsageError
        ``before`` is no month or day.
    """
    early = fleet_by_date(archive, before)
    every = fleet_by_date(archive)
    has_date = pl.coalesce("limit_date_low", "limit_date").is_not_null() & ~without_trend()
    bounded = early.filter(without_trend())["serial"].sort().to_list()
    early = early.filter(~without_trend())
    later = every.filter(has_date & ~pl.col("serial").is_in(early["serial"].to_list()))
    undated = every.filter(~has_date & pl.col("installed") & ~pl.col("serial").is_in(bounded))
    count = early.height
    said = (
        f"{counted(count, 'unit')} may reach {'its' if count == 1 else 'their'} limit before "
        f"{before}, by the early end of the interval"
        if count
        else f"No unit with a trend may reach its limit before {before}"
    )
    if later.height:
        row = later.row(0, named=True)
        said += f"; next is {row['serial']}: {due_of(row)}"
    if bounded:
        said += f". Without a trend, yet not ruled out before {before}: {', '.join(bounded)}"
    if undated.height:
        said += f". Not dated, which is no promise: {', '.join(undated['serial'].sort())}"
    return f"{said}."


def without_trend() -> pl.Expr:
    """Return which rows of a fleet have a bound of their limit, and no trend that leads there."""
    return (pl.col("result") == "steady") & pl.col("limit_date").is_null()


def due_of(row: dict[str, Any]) -> str:
    """Return when a unit of the fleet reaches its limit, in a table's few words.

    Where there is no day, why: an empty place beside dates would read as good news.
    """
    trend = row["result"] != "steady" or row["attention"] == "past limit"
    said = due({k: row[f"limit_{k}"] for k in ("date", "date_low", "date_high")}, trend=trend)
    if said or row["attention"] == "removed" or row["result"] == "too-few":
        return said
    return "no limit is set" if row["limit"] is None else "not in sight"


def bounds_words(table: pl.DataFrame) -> str:
    """Return what a day beside a unit without a trend means; empty where there is none."""
    low = pl.col("limit_date_low").is_not_null()
    if not table.filter(without_trend() & low & pl.col("installed")).height:
        return ""
    return (
        f"“{NO_TREND[:1].upper()}{NO_TREND[1:]}”: nothing seen leads to the limit, so nothing "
        "foretells when it is reached. The day after it says only how far the sessions bear: the "
        "fewer and the more scattered they are, the earlier it is, and it can lie before the date "
        "of a unit that does wear."
    )


def _day(text: str) -> datetime:
    parts = text.strip().split("-")
    try:
        year, month, day = (*(int(p) for p in parts), 1, 1)[:3]
        return datetime(year, month, day, tzinfo=UTC)
    except ValueError:
        raise UsageError(f"{text!r} is no month or day", todo="write it as 2033-06") from None


def sentence(found: UnitHistory) -> str:
    """Return a history as a person would tell it: what it does, since when, and the limit."""
    trend, history = found.trend, found.history
    where = f"{history.indicator} of {trend.serial if trend else ''}".strip()
    if trend is None:
        return f"{where[:1].upper()}{where[1:]}: not judged yet."
    if trend.result == "too-few":
        why = trend.detail.get("reason") or "too few sessions"
        return f"{where[:1].upper()}{where[1:]}: nothing can be said yet, {why}."
    projection = trend.detail.get("projection")
    name = f"{where[:1].upper()}{where[1:]}"
    over = f"over {counted(trend.n, 'session')}"
    join = "; "
    if trend.result != "steady" and trend.slope_per_year is not None:
        since = f" since {trend.since:%B %Y}" if trend.since else ""
        text = (
            f"{name} is {trend.result} by about "
            f"{size_of_rate(*_interval(trend), history.unit)}{since}"
        )
    elif projection and projection["word"] == "projected":  # steady, and yet a date: neither
        if trend.detail.get("reason") == TOO_SMALL:
            text = f"{name} shows {TOO_SMALL}, {over}"
        else:
            text = f"{name} shows no trend beyond chance {over}, nor that it is steady"
        text += "; if it goes on as the line does"
        join = ", "
    elif projection and projection["word"] == REMOVED:
        small = trend.detail.get("reason") == TOO_SMALL
        text = f"{name} showed {TOO_SMALL if small else 'no trend beyond chance'}, {over}"
    else:
        text = f"{name} holds steady {over}"
    comes, dated = _due(projection, history.unit, trend.result != "steady")
    bent = why_not_the_line(projection) if dated else ""
    far = far_sessions(found.points, history.unit)
    return (
        f"{text}{join}{comes}.{f' {far}' if far else ''}{f' {bent}.' if bent else ''}"
        f"{_replaced(found, dated)}"
    )


def _interval(trend: Trend) -> tuple[float, float, float]:
    """Return the slope of a year, its low and its high end; itself where it has none."""
    slope = trend.slope_per_year
    assert slope is not None
    low, high = trend.slope_low, trend.slope_high
    return slope, slope if low is None else low, slope if high is None else high


def _replaced(found: UnitHistory, dated: bool) -> str:
    """Return that the unit is no longer there, where a note after its last session says so.

    ``dated`` tells that a date of the limit was said before it.
    """
    notes = found.notes.filter(pl.col("what") == "replaced") if found.notes.height else found.notes
    last = found.points["start"].max() if found.points.height else None
    if not notes.height or not isinstance(last, datetime):
        return ""
    at = notes["date"].max()
    if not isinstance(at, datetime) or at < last:
        return ""
    come = ": the date is what it would have come to" if dated else ""
    return f" It was replaced on {at:%Y-%m-%d}{come}."


def _due(projection: dict[str, Any] | None, unit: str, led: bool) -> tuple[str, bool]:
    """Return what is said of the limit, and whether that has a date; ``led``: by a trend."""
    if not projection:
        return "no limit is set", False
    limit = f"its limit of {projection['limit']:g} {unit}"
    low, high, middle = (projection[k] for k in ("date_low", "date_high", "date"))
    if projection["word"] == "passed":
        return f"{limit} is passed", False
    if projection["word"] == "projected" and middle is not None:
        if low and not high:  # open to one side: that side's 5 % are outside
            return (
                f"it reaches {limit} not before {low:%B %Y} (95 %), "
                f"by the median course about {middle:%B %Y}"
            ), True
        early = (
            f"between {low:%B %Y} and {high:%B %Y}"
            if low
            else f"before {high:%B %Y}"
            if high
            else ""
        )
        most = f"it reaches {limit} about {middle:%B %Y}, most likely {early}"
        return most.removesuffix(", most likely "), True
    if projection["word"] == REMOVED:
        return OUT, False
    if projection["word"] == "beyond" and low is not None:
        if not led:
            return (
                f"no trend leads to {limit}, so no date is given: the sessions bear only that it "
                f"is not reached before {low:%B %Y} (95 %)"
            ), True
        return f"{limit} is not reached before {low:%B %Y} (95 %)", True
    return f"{limit} is not in sight", False


def findings_of(archive: Archive, serial: str) -> pl.DataFrame:
    """Return the flags of a unit with the verdict in force, newest first."""
    from replay.reviews import OPEN, verdicts

    flags = archive.table("flags")
    names = (
        "session", "flag", "joint", "kind", "severity", "start", "summary", "verdict", "evidence",
    )  # fmt: skip
    if not flags.height:
        return pl.DataFrame(schema=dict.fromkeys(names, pl.String))
    held = verdicts(archive).select("session", "flag", "verdict")
    return (
        flags.filter(pl.col("unit") == serial)
        .join(held, on=["session", "flag"], how="left")
        .with_columns(pl.col("verdict").fill_null(OPEN))
        .sort("start", descending=True)
        .select(names)
    )


def cautions_of_unit(found: pl.DataFrame) -> list[str]:
    """Return what stands above a unit of which such findings are not false: a brake in doubt."""
    from replay.reviews.judgements.cautions import OF_KIND, caution_of_flag

    rows = found.filter(pl.col("verdict") != "false-flag").select("kind", "evidence")
    said = {caution_of_flag(kind, json.loads(kept or "{}")) for kind, kept in rows.iter_rows()}
    return [words for words in OF_KIND.values() if words in said]


@dataclass(frozen=True, slots=True)
class OpenFindings:
    """How many findings of a unit nobody has judged, and the gravest of them."""

    count: int
    severity: str
    summary: str
    session: str
    finding: str


def open_findings(archive: Archive) -> dict[str, OpenFindings]:
    """Return, per unit, what waits in the queue without a verdict."""
    from dashboards.queries.record import queue

    found: dict[str, OpenFindings] = {}
    for one in (w.finding for w in queue(archive, judged=False)):  # worst first
        for serial in one.units:
            gravest = found.get(serial) or OpenFindings(
                0, one.severity, one.summary, one.session, one.finding
            )
            found[serial] = replace(gravest, count=gravest.count + 1)
    return found


def leading_indicators(found: Iterable[Trend], serial: str) -> list[str]:
    """Return a unit's indicators that a decision rests on, as they stand in the table."""
    mine = sorted((t for t in found if t.serial == serial), key=column)
    return [t.indicator for t in mine if describe(t.indicator).leading]


def all_trends(archive: Archive, against: str = "time") -> list[Trend]:
    """Return every trend of the archive, of a large one as it was judged last."""
    return trends(archive, against=against, standing=True)


def unjudged_units(archive: Archive, against: str) -> int:
    """Return of how many units a large archive has newer sessions than were judged."""
    return unjudged(archive, against)


def history(archive: Archive, serial: str, indicator: str, against: str) -> UnitHistory:
    """Return one indicator of one unit in full."""
    return unit_history(archive, serial, indicator, against=against)


def unmeasured(archive: Archive) -> int:
    """Return how many sessions have no indicators yet."""
    return len(unmeasured_sessions(archive))


def measure_all(
    archive: Archive,
    wrap: Callable[[list[str]], Iterable[str]] | None = None,
    against: str = "time",
) -> None:
    """Measure the sessions that lack indicators, and judge the histories."""
    bring_up_to_date(archive, progress=wrap)
    trends(archive)
    if against != "time":
        trends(archive, against=against)


def notes_of(archive: Archive, serial: str) -> pl.DataFrame:
    """Return the maintenance notes of a unit."""
    return maintenance(archive, serial)


def note(archive: Archive, serial: str, when: str, what: str, detail: str, who: str) -> str:
    """Record maintenance of a unit; somebody has to put their name to it."""
    by = clean_name(who, "a note goes on record with a name")
    return add_maintenance(archive, serial, when, what, detail, by=by)


def keep_limit(
    archive: Archive, indicator: str, value: float | None, serial: str, who: str
) -> None:
    """Keep or remove the limit of one unit's indicator; somebody has to put their name to it."""
    by = clean_name(who, "a limit goes on record with a name")
    set_limit(archive, indicator, value, serial=serial, by=by)


def duty_words(archive: Archive, serial: str) -> str:
    """Return what a unit has done since its installation, in one sentence."""
    rows = {row["indicator"]: row for row in duty(archive, serial).iter_rows(named=True)}
    if not rows:
        return ""
    words = {
        "hours moving": "{} h moving",
        "travel": "{} turns of travel",
        "starts": "{} starts",
        "reversals": "{} reversals",
        "brake cycles": "{} brake cycles",
        "work": "{} A²s of current squared over time",
    }
    said = [
        text.format(_amount(name, rows[name]["total"]))
        for name, text in words.items()
        if name in rows
    ]
    first = next(iter(rows.values()))
    return (
        f"Since {first['since']:%Y-%m-%d}, in {counted(first['sessions'], 'logged session')}: "
        f"{', '.join(said)}."
    )


def _amount(name: str, total: float) -> str:
    """Return a use: what is counted whole, hours and turns with two digits at least."""
    if name in ("hours moving", "travel"):
        return number(float(total) / (360.0 if name == "travel" else 1.0), 2)
    return f"{total:,.0f}"


def missing(found: Iterable[Trend], archive: Archive, serial: str) -> list[tuple[str, str]]:
    """Return the indicators that a unit has no history of, each with the reason."""
    there = {t.indicator for t in found if t.serial == serial}
    there |= set(duty(archive, serial)["indicator"])
    return not_measured_of(archive, serial, there)


def flat(found: Iterable[Trend]) -> pl.DataFrame:
    """Return trends as a table to save."""
    from replay.wear.units.trend_table import trend_table

    return trend_table(list(found))


def place_of(archive: Archive, points: pl.DataFrame) -> int | None:
    """Return the place in its arm, from 0, of the joint whose sessions these are; the latest's."""
    if not points.height:
        return None
    try:
        joints = archive.session(points["session"][-1]).joints
    except DamageError:
        raise
    except JointbookError:
        return None  # measured once, and its session is no longer there
    joint = points["joint"][-1]
    return joints.index(joint) if joint in joints else None


def about(indicator: str) -> str:
    """Return what an indicator is, in words."""
    known = describe(indicator)
    return known.about


def column(trend: Trend) -> tuple[bool, bool, int, str]:
    """Return where an indicator stands among the others, for sorting.

    What a replacement is planned on stands first, then what else a decision
    rests on: a narrow screen shows these without moving sideways.
    """
    order = [i.name for i in INDICATORS]
    known = describe(trend.indicator)
    place = order.index(known.name) if known.name in order else len(order)
    return (known.name != "margin left", not known.leading, place, trend.indicator)


def worsens(trend: Trend) -> bool:
    """Tell whether a trend goes the way that wear goes."""
    worse = describe(trend.indicator).worse
    return trend.result in ("rising", "falling") and worse in (
        "either",
        {"rising": "up", "falling": "down"}[trend.result],
    )


def last_session(found: Iterable[Trend], serial: str) -> datetime | None:
    """Return when the last session of a unit was, of those that were measured."""
    every = (t.detail.get("last") for t in found if t.serial == serial)
    return max((at for at in every if isinstance(at, datetime)), default=None)


def facts(found: UnitHistory) -> list[tuple[str, str]]:
    """Return what is known of a history, as (word, value) pairs."""
    trend, unit = found.trend, found.history.unit
    if trend is None:
        return []
    detail: dict[str, Any] = trend.detail
    rows = [("result", _result(trend))]
    if trend.slope_per_year is not None:
        rows.append(
            (
                "slope, 90 % interval",
                rate(*_interval(trend), unit),
            )
        )
        if detail["against"] != "time":
            scale, use = found.history.shown_axis
            slope, low, high = (
                detail[name] / scale for name in ("slope", "slope_axis_low", "slope_axis_high")
            )
            per = use.removesuffix("s") if scale > 1 else use
            rows.append((f"slope per {per}", rate(slope, low, high, unit, "")))
        rows.append(
            (
                "p, held over this unit's indicators",
                f"{trend.p_value:.2g}, adjusted {detail['adjusted_p_value']:.2g}",
            )
        )
    rows.append(("sessions", f"{trend.n} of {detail['sessions']}"))
    if trend.since is not None:
        rows.append(("since", f"{trend.since:%Y-%m-%d}, as a {detail.get('shape', 'line')}"))
    corrected = detail.get("corrected_for") or []
    words = {"temperature_c": "temperature", "load_nm": "load", "rate_deg_s": "rate"}
    words |= {"base_b": "which end is the base", "season sine": "season, for want of temperatures"}
    named = [words.get(c, c) for c in corrected if c != "season cosine"]
    rows.append(("corrected for", ", ".join(named) or "nothing"))
    projection = detail.get("projection")
    rows.append(("limit", _limit(projection, unit, trend.result != "steady")))
    if projection and projection.get("use") is not None:
        rows.append(("limit by use", _use(projection, *found.history.shown_axis)))
    if projection and projection.get("remaining_years") is not None:
        rows.append(("remaining useful life", _remaining(projection)))
    if projection and projection.get("date") and projection.get("date_line") is not None:
        rows.append(("straight trend at its limit", f"about {projection['date_line']:%Y-%m-%d}"))
    if projection and projection["laws"]:
        rows.append(("laws averaged", _laws(projection["laws"])))
    if found.chart is not None:
        outside = len(found.chart.signals)
        said = f"outside its limits in {outside} of {len(found.chart.statistic)} sessions"
        rows.append(("moving average", said if outside else "inside its limits"))
    if found.cusum is not None:
        over = found.cusum.signals
        begun = found.history.n - len(found.cusum.upper)
        rows.append(
            (
                "cumulative sum",
                f"beyond its limit of {found.cusum.h:g} σ from "
                f"{found.history.when(begun + int(over[0])):%Y-%m-%d} on"
                if len(over)
                else f"inside its limit of {found.cusum.h:g} σ",
            )
        )
    return rows


def _result(trend: Trend) -> str:
    reason = trend.detail.get("reason")
    result = kind_words(trend.result)
    return f"{result}: {reason}" if reason else result


def _limit(projection: dict[str, Any] | None, unit: str, led: bool) -> str:
    if not projection:
        return "none set"

    def day(value: Any) -> str:
        return "beyond the horizon" if value is None else f"{value:%Y-%m-%d}"

    words = f"{projection['limit']:g} {unit}: "
    if projection["word"] in ("projected", "passed"):
        said = "passed" if projection["word"] == "passed" else "reached"
        if projection["date_low"] and not projection["date_high"]:
            return words + (
                f"{said} not before {day(projection['date_low'])} (95 %), "
                f"median {day(projection['date'])}"
            )
        return words + (
            f"{said} about {day(projection['date'])}, 90 % between "
            f"{day(projection['date_low'])} and {day(projection['date_high'])}"
        )
    if projection["word"] == "beyond":
        held = "" if led else f"{NO_TREND}; "
        low = day(projection["date_low"])
        return f"{words}{held}not before {low} (95 %); {projection['reason']}"
    if projection["word"] == REMOVED:
        return words + OUT
    return words + f"no date can be given: {projection['reason']}"


def _use(projection: dict[str, Any], scale: float, unit: str) -> str:
    high = projection["use_high"]
    upper = "or more" if high is None else f"to {scale * high:.4g}"
    return (
        f"about {scale * projection['use']:.4g} {unit} since installation "
        f"({scale * projection['use_low']:.4g} {upper})"
    )


def _remaining(projection: dict[str, Any]) -> str:
    low, high = projection["remaining_years_low"], projection["remaining_years_high"]
    upper = "or more" if high is None else f"to {high:.2g}"
    return (
        f"about {projection['remaining_years']:.2g} years after the last session "
        f"({low:.2g} {upper}, with {projection['confidence']:.0%} confidence)"
    )


def _laws(laws: list[dict[str, Any]]) -> str:
    told = [law for law in laws if law["weight"] >= 0.01]
    return ", ".join(f"{law['law']} {law['weight']:.0%}" for law in told)
