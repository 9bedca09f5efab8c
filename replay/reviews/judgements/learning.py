"""What verdicts teach: known events, sessions to leave out, false flags observed.

Nothing here learns by itself. A person who starts `learn` or `backtest` gets
what people concluded as its input, and is told what was taken from it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import polars as pl

from replay.archive import Archive
from replay.checks.matching import Known
from replay.record import Draft, Entry, open_record
from replay.reviews.findings import findings
from replay.reviews.following import KIND
from replay.reviews.judgements.verdicts import disposition_in_force
from replay.statistics.rates import rate_interval

UPHELD = frozenset({"explained", "watch", "repair"})
"""Words of a verdict by which something did happen."""

FALSE = "false-flag"


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A joint unit in a session that is not to teach, and whose word it is."""

    session: str
    unit: str
    verdict: str
    by: str


def known_events(archive: Archive) -> list[Known]:
    """Return the findings that people upheld, as known events, one a finding.

    Taken from the record, so that an event stays known when a later check does
    not flag it any more.
    """
    made = []
    for entry, flags in _held(archive):
        after = entry.after or {}
        if after["verdict"] in UPHELD:
            lead = flags[0]
            made.append(
                Known(
                    entry.session,
                    lead.get("joint") or "",
                    lead.get("kind") or "",
                    min(datetime.fromisoformat(f["start"]) for f in flags),
                    max(datetime.fromisoformat(f["end"]) for f in flags),
                    "reviewed",
                    tuple(f.get("joint") or "" for f in flags[1:]),
                )
            )
    return made


def judged_sessions(archive: Archive) -> list[str]:
    """Return the checked sessions in which nothing is open: their events are all known.

    A session whose flags were all false counts among them as healthy.
    """
    checks = archive.table("checks")
    if not checks.height:
        return []
    with open_record(archive).as_of_now():
        held = ((f, disposition_in_force(archive, f)) for f in findings(archive))
        undecided = {f.session for f, d in held if d is None}
    return [s for s in checks["session"].unique().sort().to_list() if s not in undecided]


def taught_in_doubt(archive: Archive, sessions: Iterable[str]) -> list[str]:
    """Return those of some sessions in which a finding is open, or was confirmed."""
    wanted = set(sessions)
    with open_record(archive).as_of_now():
        held = ((f, disposition_in_force(archive, f)) for f in findings(archive))
        found = {
            f.session for f, d in held if f.session in wanted and (d is None or d.verdict in UPHELD)
        }
    return sorted(found)


def confirmed(archive: Archive) -> list[LeftOut]:
    """Return the joint units, by session, in which people confirmed an event.

    A finding without a joint concerns every unit of its session.
    """
    made: dict[tuple[str, str], LeftOut] = {}
    for entry, flags in _held(archive):
        verdict = (entry.after or {})["verdict"]
        if verdict not in UPHELD:
            continue
        record = archive.session(entry.session) if archive.has_session(entry.session) else None
        for flag in flags:
            joint = flag.get("joint") or ""
            joints = (joint,) if joint else record.joints if record else ()
            which = [record.unit(j) if record else flag.get("unit") or j for j in joints]
            for unit in which:
                made[entry.session, unit] = LeftOut(entry.session, unit, verdict, entry.who)
    return list(made.values())


def note_learning(archive: Archive, baseline: str, left_out: Iterable[LeftOut], who: str) -> None:
    """Put on record which confirmed events a new baseline did not learn from."""
    after = {"left_out": [{"session": o.session, "unit": o.unit} for o in left_out]}
    open_record(archive).append(
        [Draft(kind="learned", subject=baseline, what="learned", who=who, after=after)]
    )


def observed_false_flags(archive: Archive) -> pl.DataFrame:
    """Return the false flags that people found, beside the rate that was asked.

    One row a baseline: ``baseline``, ``asked`` (per 100 joint-hours),
    ``observed``, ``low`` and ``high`` (90 % interval), ``false_findings``,
    ``joint_hours`` and ``sessions`` of the sessions in which nothing is open,
    ``open_sessions`` those left out because something is, ``decided_findings`` of all.
    """
    schema = {
        "baseline": pl.String, "asked": pl.Float64, "observed": pl.Float64, "low": pl.Float64,
        "high": pl.Float64, "false_findings": pl.Int64, "joint_hours": pl.Float64,
        "sessions": pl.Int64, "open_sessions": pl.Int64, "decided_findings": pl.Int64,
    }  # fmt: skip
    checks = archive.table("checks")
    if not checks.height:
        return pl.DataFrame(schema=schema)
    judged = set(judged_sessions(archive))
    false: dict[str, int] = {}
    decided: dict[str, int] = {}
    with open_record(archive).as_of_now():
        for finding in findings(archive):
            held = disposition_in_force(archive, finding)
            if held is not None:
                decided[finding.session] = decided.get(finding.session, 0) + 1
            if held is not None and held.verdict == FALSE:
                false[finding.session] = false.get(finding.session, 0) + 1
    rows = []
    for (baseline,), part in checks.group_by("baseline", maintain_order=True):
        done = part.filter(pl.col("session").is_in(sorted(judged)))
        hours = float(done["joint_hours"].sum() or 0.0)
        events = sum(false.get(s, 0) for s in done["session"])
        low, high = rate_interval(events, hours) if hours else (0.0, float("inf"))
        rows.append(
            {
                "baseline": baseline,
                "asked": part["asked_rate"].max(),
                "observed": 100 * events / hours if hours else None,
                "low": 100 * low if hours else None,
                "high": 100 * high if hours else None,
                "false_findings": events,
                "joint_hours": hours,
                "sessions": done.height,
                "open_sessions": part.height - done.height,
                "decided_findings": sum(decided.get(s, 0) for s in part["session"]),
            }
        )
    return pl.DataFrame(rows, schema=schema)


def _held(archive: Archive) -> list[tuple[Entry, list[dict[str, Any]]]]:
    """Return the verdicts in force with the flags that they still hold for, the lead first."""
    last: dict[tuple[str, str], tuple[Entry, dict[str, Any]]] = {}
    for entry in open_record(archive).entries(KIND):
        for flag in (entry.after or {}).get("flags", ()):
            last[entry.session, flag["flag"]] = (entry, flag)
    held: dict[int, tuple[Entry, list[dict[str, Any]]]] = {}
    for entry, flag in last.values():
        held.setdefault(entry.seq, (entry, []))[1].append(flag)
    order = {id(f): k for e, _ in held.values() for k, f in enumerate((e.after or {})["flags"])}
    return [
        (entry, sorted(flags, key=lambda f: order[id(f)]))
        for _, (entry, flags) in sorted(held.items())
    ]
