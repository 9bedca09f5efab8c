"""One report for many sessions: a week, an arm, a campaign."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import polars as pl

from replay.archive import Archive
from replay.errors import UsageError
from replay.reports import words
from replay.reports.cautions import cautions_of_many
from replay.reports.rendering import Report, report
from replay.reports.summary_tables import trend_table, use_table
from replay.reports.tables import table
from replay.reviews import Disposition, Finding, dispositions, findings, session_state
from replay.signals.person import person_on_tip
from replay.wording import NONE, counted, kind_words

MOST_SESSIONS = 2000
"""Beyond this nobody reads a list: ask for a shorter span or one arm."""


def summary_report(
    archive: Archive,
    *,
    sessions: Sequence[str] | None = None,
    arm: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    title: str | None = None,
) -> Report:
    """Return a summary of sessions: their state, what was found, what is open.

    Parameters
    ----------
    archive : Archive
    sessions : sequence of str, optional
        By name; all by default.
    arm : str, optional
        Only this arm's.
    since, until : datetime, optional
        Only sessions that start in ``[since, until)``.
    title : str, optional
        What the batch is called: a campaign's name.

    Raises
    ------
    UsageError
        No session is left, or too many for one report.
    """
    rows = chosen_sessions(archive, sessions, arm, since, until)
    if not rows.height:
        raise UsageError("no session is chosen", todo="another arm, or a longer span")
    if rows.height > MOST_SESSIONS:
        raise UsageError(
            f"{counted(rows.height, 'session')} are too many for one report",
            todo=f"at most {MOST_SESSIONS}: choose an arm or a span",
        )
    names = rows["session"].to_list()
    checks = {r["session"]: r for r in _checks(archive, names)}
    held = dispositions(archive)
    found = [f for f in findings(archive) if f.session in set(names)]
    states = {name: session_state(archive, name) for name in names}
    unsigned = sum(state != "signed" for state in states.values())
    unchecked = sum(name not in checks for name in names)
    persons = [person_on_tip(archive, archive.session(name)) for name in names]
    said = {
        "cautions": cautions_of_many(persons, found, unchecked, unsigned),
        "short": _short(rows, checks, found, held, states),
        "findings": table(
            ((_finding_row(f, held.get(f.finding))) for f in found),
            [
                ("severity", "severity"), ("session", "session"), ("joints", "joints"),
                ("kind", "kind"), ("start", "start"), ("what", "what"), ("verdict", "verdict"),
                ("decision", "decision"), ("by", "by"),
            ],
            empty="None was found in what was checked." if checks else "Nothing was checked.",
        ),
        "sessions": table(
            (_session_row(r, checks.get(r["session"]), states, found) for r in rows.to_dicts()),
            [
                ("session", "session"), ("start", "start"), ("length", "length"),
                ("complete", "complete"), ("judged, joint-h", "judged"), ("findings", "findings"),
                ("state", "state"), ("baseline", "baseline"),
            ],
        ),
        "units": use_table(archive, rows),
        "trends": trend_table(archive, rows),
    }  # fmt: skip
    arms = rows["arm"].unique().sort().to_list()
    first, last = rows["start"].min(), rows["end"].max()
    assert isinstance(first, datetime)
    assert isinstance(last, datetime)
    head = title or f"Summary of {counted(rows.height, 'session')}: {', '.join(arms)}"
    under = f"{words.instant(first)} to {words.instant(last)}. All instants are UTC."
    name = f"summary-{first:%Y%m%d}-{last:%Y%m%d}"
    return report("summary.html", name, head, under, said)


def chosen_sessions(
    archive: Archive,
    sessions: Sequence[str] | None,
    arm: str | None,
    since: datetime | None,
    until: datetime | None,
) -> pl.DataFrame:
    """Return the catalogue's rows of the sessions that are meant, oldest first.

    Parameters
    ----------
    archive : Archive
    sessions : sequence of str or None
        Names; all where None.
    arm : str or None
        Only sessions of this arm.
    since, until : datetime or None
        Only sessions that began from the one on, and before the other.

    Returns
    -------
    DataFrame
        Columns of the catalogue, `Archive.sessions`.
    """
    rows = archive.sessions()
    if sessions is not None:
        for name in sessions:
            archive.session(name)  # says which one there is not
        rows = rows.filter(pl.col("session").is_in(list(sessions)))
    if arm is not None:
        rows = rows.filter(pl.col("arm") == arm)
    if since is not None:
        rows = rows.filter(pl.col("start") >= since)
    if until is not None:
        rows = rows.filter(pl.col("start") < until)
    return rows


def _checks(archive: Archive, names: list[str]) -> list[dict[str, object]]:
    checks = archive.table("checks")
    if not checks.height:
        return []
    return checks.filter(pl.col("session").is_in(names)).sort("checked_at").to_dicts()


def _short(
    rows: pl.DataFrame,
    checks: dict[object, dict[str, object]],
    found: list[Finding],
    held: dict[str, Disposition],
    states: dict[str, str],
) -> list[tuple[str, str]]:
    counts = {w: sum(s == w for s in states.values()) for w in sorted(set(states.values()))}
    severity = {w: sum(f.severity == w for f in found) for w in ("act", "look", "note")}
    verdicts: dict[str, int] = {}
    for finding in found:
        mine = held.get(finding.finding)
        word = mine.verdict if mine else "open"
        verdicts[word] = verdicts.get(word, 0) + 1
    seconds = (rows["end"] - rows["start"]).dt.total_milliseconds() / 1000 * rows["joints"]
    hours = float(seconds.cast(pl.Float64).sum()) / 3600
    judged = sum(_figure(c, "joint_hours") for c in checks.values())
    expected = sum(_figure(c, "expected_false_flags") for c in checks.values())
    complete = rows["completeness"].drop_nulls()
    return [
        ("sessions", "; ".join(f"{n} {w}" for w, n in counts.items())),
        (
            "judged",
            f"{judged:.2f} of {hours:.2f} joint-hours; "
            f"{max(0.0, hours - judged):.2f} joint-hours not judged",
        ),
        ("false flags to expect", f"{expected:.2g} in all these sessions"),
        ("least complete session", words.share(complete.min() if complete.len() else None)),  # type: ignore[arg-type]
        ("findings", f"{len(found)}: " + ", ".join(f"{n} {w}" for w, n in severity.items())),
        ("verdicts", ", ".join(f"{n} {w}" for w, n in sorted(verdicts.items())) or "none"),
    ]


def _figure(row: dict[str, object], name: str) -> float:
    value = row.get(name)
    return float(value) if isinstance(value, int | float) else 0.0


def _finding_row(finding: Finding, held: Disposition | None) -> dict[str, str]:
    decision = ""
    if held is not None and held.reasons is not None:
        decision = held.reasons.decision or held.reasons.nonconformance
    return {
        "severity": finding.severity,
        "session": finding.session,
        "joints": finding.place,
        "kind": kind_words(finding.kind),
        "start": words.instant(finding.start),
        "what": finding.summary,
        "verdict": held.verdict if held else "open",
        "decision": decision,
        "by": held.by if held else "",
    }


def _session_row(
    row: dict[str, object],
    check: dict[str, object] | None,
    states: dict[str, str],
    found: list[Finding],
) -> dict[str, object]:
    name, start, end = str(row["session"]), row["start"], row["end"]
    assert isinstance(start, datetime)
    assert isinstance(end, datetime)
    mine = [f.severity for f in found if f.session == name]
    completeness = row["completeness"]
    return {
        "session": name,
        "start": f"{start:%Y-%m-%d %H:%M}",
        "length": words.duration(end - start),
        "complete": words.share(completeness if isinstance(completeness, float) else None),
        "judged": None if check is None else f"{_figure(check, 'joint_hours'):.2f}",
        "findings": ", ".join(f"{mine.count(w)} {w}" for w in ("act", "look", "note") if w in mine)
        or ("none" if check is not None else NONE),
        "state": states[name],
        "baseline": None if check is None else check["baseline"],
    }
