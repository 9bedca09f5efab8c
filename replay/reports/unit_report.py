"""A maintainer's sheet for one joint unit: trends, limits, maintenance, findings, use."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from replay.archive import Archive
from replay.errors import UsageError
from replay.records import Trend
from replay.reports import words
from replay.reports.cautions import ADVICE, SLIP
from replay.reports.drawing.history_plot import history_plot
from replay.reports.rendering import Report, report
from replay.reports.tables import Table, table
from replay.reviews import dispositions, findings
from replay.wear import duty, limits, maintenance, trends
from replay.wear.assessment.far_sessions import far_sessions
from replay.wear.assessment.saying import due, line_date, rate
from replay.wear.catalogue import describe
from replay.wear.units.limits import limit_for
from replay.wording import NONE, counted, kind_words, number

MOST_PLOTS = 8
"""Indicators drawn: those with a session far from the others, those that move or have a limit,
then those decisions rest on."""


def unit_report(archive: Archive, serial: str) -> Report:
    """Return a unit's sheet.

    Parameters
    ----------
    archive : Archive
    serial : str
        The unit's key: its serial number, else the arm's name and the joint's.

    Raises
    ------
    UsageError
        No measured session has this unit.
    """
    own = archive.rows_of_units("indicators", [serial])
    if not own.height:
        raise UsageError(
            f"no measured session has a unit {serial!r}",
            todo="`jointbook wear` measures what there is and lists the units",
        )
    notes, bounds = maintenance(archive, serial), limits(archive)
    found = sorted(trends(archive, serial=serial), key=lambda t: _order(t, bounds, serial))
    far = {t.indicator: s for t in found if (s := far_sessions(_history(own, t), t.unit))}
    found.sort(key=lambda t: t.indicator not in far)
    mine = [f for f in findings(archive) if serial in f.units]
    held = dispositions(archive)
    places = own.sort("start")["joint"].unique(maintain_order=True).to_list()
    arms = own["arm"].unique().sort().to_list()
    slips = any(f.kind == "brake-slip" and f.unit == serial for one in mine for f in one.flags)
    said = {
        "cautions": [*([SLIP] if slips else []), ADVICE],
        "short": [
            ("unit", serial),
            ("arm, place", f"{', '.join(arms)}; {', '.join(places)}"),
            ("sessions", f"{own['session'].n_unique()}"),
            (
                "first, last",
                ", ".join(str(d) for d in own["start"].dt.date().sort().gather([0, -1])),
            ),
            ("maintenance notes", f"{notes.height}"),
            ("findings", f"{len(mine)}"),
        ],
        "far": [f"{name}: {sentence}" for name, sentence in far.items()],
        "trends": _trend_table(found, bounds, serial),
        "plots": [
            (
                f"{t.indicator} of {serial} by session",
                history_plot(
                    _history(own, t),
                    notes,
                    t,
                    limit_for(bounds, serial, t.indicator),
                    f"{serial}: {t.indicator}, {t.unit}",
                ),
            )
            for t in found[:MOST_PLOTS]
        ],
        "use": table(
            duty(archive, serial).iter_rows(named=True),
            [
                ("use", "indicator"),
                ("total", _use),
                ("sessions", "sessions"),
                ("since", lambda r: f"{r['since']:%Y-%m-%d}"),
            ],
            note="From the unit's first session here or its last replacement on; what it did "
            "where no log was kept is not in it.",
        ),
        "maintenance": table(
            notes.iter_rows(named=True),
            [("date", lambda r: f"{r['date']:%Y-%m-%d}"), ("what", "what"), ("detail", "detail")],
        ),
        "findings": table(
            (
                {
                    "session": f.session,
                    "start": words.instant(f.start),
                    "kind": kind_words(f.kind),
                    "severity": f.severity,
                    "what": f.summary,
                    "verdict": held[f.finding].verdict if f.finding in held else "open",
                }
                for f in sorted(mine, key=lambda f: f.start)
            ),
            [(h, h) for h in ("start", "session", "kind", "severity", "what", "verdict")],
        ),
    }
    title = f"Joint unit {serial}"
    under = (
        f"{', '.join(arms)}, {counted(own['session'].n_unique(), 'session')}. All instants are UTC."
    )
    return report("unit.html", f"unit-{_plain(serial)}", title, under, said)


def _history(own: pl.DataFrame, t: Trend) -> pl.DataFrame:
    return own.filter(pl.col("indicator") == t.indicator).sort("start")


def _trend_table(found: list[Trend], bounds: dict[str, float], serial: str) -> Table:
    return table(
        (
            {
                "indicator": f"{t.indicator}, {t.unit}",
                "last": t.last_value,
                "result": t.result.replace("-", " "),
                "slope": None
                if t.slope_per_year is None
                else _per_year(t),
                "limit": limit_for(bounds, serial, t.indicator),
                "reached": _reached(t),
                "n": t.n,
            }
            for t in found
        ),
        [
            ("indicator", "indicator"), ("last value", "last"), ("trend", "result"),
            ("per year (90 %)", "slope"), ("limit", "limit"), ("limit reached", "reached"),
            ("sessions", "n"),
        ],
        note="Last values and trends are under usual conditions, the plots show sessions as they "
        "were measured. Limits are the operator's, but that a margin reaches zero. A date is a "
        "projection of what was seen, not a promise.",
    )  # fmt: skip


def _use(row: Mapping[str, Any]) -> str:
    """Return a total in its unit; what is counted has none."""
    unit = {"1": "", "A2 s": " A² s"}.get(row["unit"], f" {row['unit']}")
    if unit:
        return f"{number(row['total'])}{unit}"
    return f"{row['total']:,.0f}"


def _reached(t: Trend) -> str:
    said = t.detail.get("projection") or {}
    if said.get("date") is None:
        return str(said.get("reason") or NONE)
    line = line_date(said)
    straight = f"; in a straight line {line:%Y-%m}" if line is not None else ""
    told = t.result != "steady" or said.get("word") == "passed"
    return (due(said, trend=told) or "later than can be told") + straight


def _per_year(t: Trend) -> str:
    slope = t.slope_per_year
    assert slope is not None
    low, high = (slope if v is None else v for v in (t.slope_low, t.slope_high))
    return rate(slope, low, high, t.unit)


def _order(t: Trend, bounds: dict[str, float], serial: str) -> tuple[bool, bool, bool, str]:
    moving = t.result in ("rising", "falling")
    limited = limit_for(bounds, serial, t.indicator) is not None
    return (not moving, not limited, not describe(t.indicator).leading, t.indicator)


def _plain(serial: str) -> str:
    return "".join(c if c.isalnum() or c in "-_" else "-" for c in serial)
