"""The post-operation report of one session."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from replay.archive import Archive
from replay.records import Session
from replay.reports import words
from replay.reports.cautions import cautions
from replay.reports.drawing.finding_plot import angle_decides, finding_plots
from replay.reports.drawing.session_plots import session_plot
from replay.reports.finding_words import disposition_facts, flags_table
from replay.reports.margins_table import margins_table
from replay.reports.provenance import digests, surroundings
from replay.reports.rendering import Report, report
from replay.reports.session_facts import SessionFacts, session_facts
from replay.reports.session_tables import (
    brakes_table,
    moved_table,
    quality_table,
    record_table,
    slips_table,
    wear_table,
)
from replay.reports.tables import table
from replay.reports.wear_changes import wear_changes
from replay.reviews import SignOff, completeness_words
from replay.signals.person import person_on_tip
from replay.wording import kind_words, score_figure


def session_report(archive: Archive, session: str, *, rule: str | None = None) -> Report:
    """Return a session's post-operation report.

    Parameters
    ----------
    archive : Archive
    session : str
    rule : str, optional
        Margin rule by name, or a TOML file; the default rule when not given.

    Raises
    ------
    ArchiveError
        There is no such session.
    """
    facts = session_facts(archive, session, rule=rule)
    record = facts.record
    person = person_on_tip(archive, record)
    changes, compared = wear_changes(archive, record)
    said = {
        "cautions": cautions(person, facts.findings, facts.signed, facts.open_findings),
        "state": _state(facts),
        "short": _short(facts, person),
        "moved": moved_table(facts),
        "angles": session_plot(archive, record, "angle_deg", facts.findings),
        "currents": session_plot(archive, record, "current_a", facts.findings),
        "findings": [_finding(archive, facts, n) for n in range(1, len(facts.findings) + 1)],
        "no_findings": "None was found."
        if facts.statement
        else "This session was not checked: nothing can be said of findings.",
        "brakes": brakes_table(facts.brakes),
        "slips": slips_table(facts.slips),
        "margin_rule": f"Rule: {facts.rule.title}, edition {facts.rule.date}, "
        f"{facts.rule.clause}. {facts.rule.note} Whether it applies is for the engineer to say.",
        "margins": margins_table(facts.margins),
        "wear": wear_table(changes, compared),
        "quality": quality_table(record),
        "pins": table(
            facts.pins.iter_rows(named=True),
            [
                ("from", lambda r: words.instant(r["start"])),
                ("to", lambda r: words.instant(r["end"])),
                ("joint", lambda r: r["joint"] or "all"),
                ("note", "text"),
                ("by", "author"),
            ],
        ),
        "maintenance": table(
            facts.maintenance.iter_rows(named=True),
            [
                ("date", lambda r: f"{r['date']:%Y-%m-%d}"),
                ("unit", "serial"),
                ("what", "what"),
                ("detail", "detail"),
            ],
        ),
        "record": record_table(facts.entries),
        "versions": [*surroundings().items(), ("log read with", record.program or "unknown")],
        "digests": digests(archive, record, facts.statement.baseline if facts.statement else ""),
        "lacking": facts.lacking,
    }
    title = f"Post-operation report: {record.arm}, {record.start:%Y-%m-%d %H:%M} Z"
    under = f"Session {record.session}, from {record.source}. All instants are UTC."
    made = report("session.html", f"report-{record.session}", title, under, said)
    return replace(made, drawings=tuple(_drawings(said)))


def _drawings(said: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    for name in ("angles", "currents"):
        if said[name]:
            yield f"{name}.svg", said[name]
    for finding in said["findings"]:
        for k, drawing in enumerate(finding["plots"], 1):
            yield f"finding-{finding['number']}-{k}.svg", drawing


def _state(facts: SessionFacts) -> list[str]:
    signed = facts.signed
    if signed is None:
        return ["State: not signed."]
    lines = [f"State: {signed.state}."]
    lines += [_signature(signed, k) for k in range(len(signed.signatures))]
    if signed.reopened is not None:
        lines.append(
            f"Reopened by {signed.reopened.by}, {words.instant(signed.reopened.at)}: "
            f"{signed.reopened.remark}"
        )
    stated, now = signed.statement, facts.statement
    if now is not None and (stated.baseline, stated.flags_sha256) != (
        now.baseline,
        now.flags_sha256,
    ):
        lines.append(
            f"A later check, with {now.baseline}, differs from what was signed "
            f"({stated.baseline}); what follows is the later check."
        )
    return lines


def _signature(signed: SignOff, k: int) -> str:
    mine = signed.signatures[k]
    remark = f": {mine.remark}" if mine.remark else ""
    return f"Signed by {mine.by}, {words.instant(mine.at)} (entry {mine.seq}){remark}"


def _complete(facts: SessionFacts) -> str:
    if facts.statement is None:
        return words.share(facts.record.completeness)
    return completeness_words(facts.statement)


def _unsaid(record: Session, name: str) -> str:
    """Say why a session has no one value: it was logged and changes, or nobody told it."""
    logged = any(name in names for names in record.channels.values())
    return "changes during the session" if logged else "not known"


def _short(facts: SessionFacts, person: str) -> list[tuple[str, str]]:
    record, stated = facts.record, facts.statement
    rows = [
        ("arm", record.arm),
        ("span", words.span(record.start, record.end)),
        ("base end", record.base_end or _unsaid(record, "base_end")),
        (
            "payload",
            _unsaid(record, "payload_kg")
            if record.payload_kg is None
            else f"{record.payload_kg:g} kg",
        ),
        ("person on the tip", person),
        ("completeness", _complete(facts)),
    ]
    if stated is None:
        return [*rows, ("check", "not checked")]
    verdicts: dict[str, int] = {}
    for finding in facts.findings:
        held = facts.dispositions.get(finding.finding)
        word = held.verdict if held else "open"
        verdicts[word] = verdicts.get(word, 0) + 1
    return [
        *rows,
        ("baseline", f"{stated.baseline}, checked {words.instant(stated.checked_at)}"),
        (
            "judged",
            f"{stated.judged_joint_h:.3f} of {stated.logged_joint_h:.3f} joint-hours; "
            f"{stated.unjudged_joint_h:.3f} joint-hours not judged",
        ),
        (
            "false flags to expect",
            f"{stated.asked_rate:g} asked per 100 joint-hours; {stated.expected_words}",
        ),
        (
            "findings",
            f"{len(facts.findings)}"
            + "".join(f"; {n} {word}" for word, n in sorted(verdicts.items())),
        ),
        ("notes of the check", ";\n".join(stated.notes) or "none"),
    ]


def _finding(archive: Archive, facts: SessionFacts, number: int) -> Mapping[str, Any]:
    finding = facts.findings[number - 1]
    return {
        "number": number,
        "title": f"{finding.place}: {kind_words(finding.kind)} ({finding.severity})",
        "summary": finding.summary,
        "facts": [
            ("when", words.span(finding.start, finding.end)),
            ("finding", f"{finding.finding}, score {score_figure(finding.score)}"),
            *disposition_facts(facts.dispositions.get(finding.finding)),
        ],
        "flags": flags_table(finding),
        "shown": f"{'angle, ' * angle_decides(finding)}current, rate and brake",
        "plots": finding_plots(archive, facts.record, finding, number, facts.baseline),
    }
