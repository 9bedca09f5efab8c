"""The tables of a session's report."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

import polars as pl

from replay.records import Session
from replay.reports import words
from replay.reports.margins_table import OF_CURRENT
from replay.reports.session_facts import SessionFacts
from replay.reports.tables import Table, table
from replay.reports.wear_changes import CERTAIN
from replay.reviews import Entry
from replay.wording import NONE, number


def moved_table(facts: SessionFacts) -> Table:
    """Return what each joint did: travel, range, duty, extremes."""
    rows = []
    for row in facts.duty.iter_rows(named=True):
        own = facts.tables[row["joint"]]
        rows.append(
            row
            | {
                "range": _range(own["angle_deg"]),
                "rate": _largest(own["rate_deg_s"]),
                "current": _largest(own["current_a"]),
                "temperature": _range(own["temperature_c"]),
            }
        )
    return table(
        rows,
        [
            ("joint", "joint"),
            ("unit", "serial"),
            ("travel, deg", lambda r: f"{r['travel_deg']:.1f}"),
            ("angle, deg", "range"),
            ("moving", lambda r: words.duration(r["moving_s"])),
            ("starts", "starts"),
            ("reversals", "reversals"),
            ("brake cycles", "brake_cycles"),
            ("fastest, deg/s", "rate"),
            ("most current, A", "current"),
            ("i² t, A² s", "current_square_a2_s"),
            ("temperature, °C", "temperature"),
            ("gaps", lambda r: words.duration(r["gap_s"])),
        ],
        note="Travel counts motion only; what happened in gaps is not in it.",
    )


def brakes_table(events: pl.DataFrame) -> Table:
    """Return each brake's releases and engagements with their longest times."""
    if not events.height:
        return Table((), (), empty="No brake state or command was logged.")
    measured = pl.col("delay_status") == "measured"
    grouped = events.group_by("joint", "event", maintain_order=True).agg(
        pl.len().alias("count"),
        pl.col("on_the_move").sum().alias("moving"),
        measured.sum().alias("measured"),
        pl.col("delay_s").median().alias("median"),
        pl.col("delay_s").max().alias("longest"),
        pl.col("delay_high_s").filter(~measured).max().alias("bound"),
        pl.col("stop_s").max().alias("stop"),
        pl.col("stop_angle_deg").filter(pl.col("stop_s").is_not_null()).abs().max().alias("angle"),
        pl.col("time").get(pl.col("delay_s").fill_null(-1.0).arg_max()).alias("at"),
    )
    return table(
        grouped.sort("joint", "event").iter_rows(named=True),
        [
            ("joint", "joint"),
            ("event", "event"),
            ("count", "count"),
            ("on the move", "moving"),
            ("delays measured", "measured"),
            ("median delay, s", "median"),
            ("longest delay, s", "longest"),
            ("when", lambda r: NONE if r["longest"] is None else words.instant(r["at"])),
            ("at most, where no number, s", "bound"),
            ("longest stop, s", "stop"),
            ("stop angle, deg", "angle"),
        ],
        note="A delay, a stop and its angle are numbers only where the sampling and the commands "
        "allow them; a gap does not.",
    )


def slips_table(slips: pl.DataFrame) -> Table:
    """Return what stayed displaced under an engaged brake."""
    return table(
        slips.iter_rows(named=True),
        [
            ("joint", "joint"),
            ("from", lambda r: words.instant(r["start"])),
            ("to", lambda r: words.instant(r["end"])),
            ("what", "status"),
            ("stayed, deg", "slip_deg"),
            ("± SE", "slip_se_deg"),
            ("farthest, deg", "excursion_deg"),
            ("half of it done at", lambda r: words.instant(r["slip_at"])),
            ("largest load, Nm", "load_max_nm"),
        ],
        empty="none seen beyond noise and flexing",
    )


def wear_table(changes: pl.DataFrame, compared: int) -> Table:
    """Return the changes that are beyond doubt or follow a trend."""
    told = changes.height and "margin left" in changes["indicator"]
    return table(
        changes.iter_rows(named=True),
        [
            ("joint", "joint"),
            ("unit", "serial"),
            ("indicator", lambda r: f"{r['indicator']}, {r['unit']}"),
            ("before", "before"),
            ("now", "now"),
            ("change ± SE", lambda r: f"{r['change']:+.3g} ± {r['change_se']:.2g}"),
            ("trend over all", "trend"),
            ("in the worse direction", lambda r: "yes" if r["worse"] else ""),
            ("session before", "previous"),
        ],
        note=f"{compared} indicators of these units were compared with their session before; "
        f"listed are changes beyond {CERTAIN:g} standard errors, and those whose trend over all "
        "sessions is not steady. Conditions of two sessions differ: only the trend is corrected "
        "for them." + (f" {OF_CURRENT}" if told else ""),
        empty="no change beyond doubt",
    )


def quality_table(record: Session) -> Table:
    """Return what was found in, or done to, the log on its way in."""
    return table(
        _grouped(record),
        [(h, h) for h in ("kind", "where", "when", "count", "detail")],
        note=f"Completeness {words.share(record.completeness)} of the samples that the log's own "
        f"rate ({number(record.rate_hz)} Hz) calls for.",
        empty="nothing was found in, or done to, this log",
    )


def record_table(entries: Sequence[Entry]) -> Table:
    """Return what people put on record about a session, in the record's order."""
    return table(
        (
            {
                "entry": str(e.seq),
                "when": words.instant(e.at),
                "who": e.who,
                "what": f"{e.kind}: {e.what}",
                "on": e.subject,
                "hash": e.hash[:16],
            }
            for e in entries
        ),
        [(h, h) for h in ("entry", "when", "who", "what", "on", "hash")],
        note="Each entry's hash covers the entry before it; `jointbook record verify` proves them.",
        empty="nothing yet",
    )


def _grouped(record: Session) -> list[dict[str, Any]]:
    """Return the log's notes, those that differ in the column only as one row."""
    rows: dict[tuple[str, str], dict[str, Any]] = {}
    for q in record.quality:
        alike = q.detail if q.start is not None else _QUOTED.sub("…", q.detail)
        where = q.channel or q.joint or "whole log"
        known = rows.get((q.kind, alike)) if q.start is None else None
        if known is None:
            rows[q.kind, alike if q.start is None else f"{alike} {q.start}"] = {
                "kind": q.kind,
                "where": [where],
                "when": NONE if q.start is None else words.instant(q.start),
                "count": q.count,
                "detail": q.detail,
                "alike": alike,
            }
        else:
            known["where"].append(where)
            known["count"] += q.count
            known["detail"] = known["alike"]
    return [r | {"where": ", ".join(dict.fromkeys(r["where"]))} for r in rows.values()]


_QUOTED = re.compile(r"'[^']*'")


def _range(values: pl.Series) -> str:
    known = values.drop_nulls().drop_nans()
    if not known.len():
        return NONE
    return f"{known.quantile(0.0):.1f} to {known.quantile(1.0):.1f}"


def _largest(values: pl.Series) -> float | None:
    known = values.drop_nulls().drop_nans().abs()
    return float(known.max()) if known.len() else None  # type: ignore[arg-type]
