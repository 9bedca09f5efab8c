"""Everything that a session's report says, gathered once from archive and record."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from replay.archive import Archive
from replay.arm.margins import MarginRule, load_rule
from replay.errors import BaselineError, JointbookError
from replay.models import Baseline, load_baseline
from replay.records import Session
from replay.reviews import (
    Disposition,
    Entry,
    Finding,
    SignOff,
    Statement,
    dispositions,
    findings,
    history,
    pins,
    sign_off,
    statement,
)
from replay.reviews.brakes_in_doubt import withhold_doubted_brakes
from replay.signals import SessionMechanics
from replay.wear import maintenance


@dataclass(frozen=True, slots=True)
class SessionFacts:
    """A session with its check, its review and its mechanics.

    ``statement`` is None for a session that was not checked; ``lacking`` says
    in words what could not be computed.
    """

    record: Session
    statement: Statement | None
    findings: tuple[Finding, ...]
    dispositions: dict[str, Disposition]
    signed: SignOff | None
    entries: tuple[Entry, ...]
    pins: pl.DataFrame
    maintenance: pl.DataFrame
    baseline: Baseline | None
    duty: pl.DataFrame
    tables: dict[str, pl.DataFrame]
    brakes: pl.DataFrame
    slips: pl.DataFrame
    margins: pl.DataFrame
    rule: MarginRule
    lacking: tuple[str, ...]

    @property
    def open_findings(self) -> int:
        """How many findings have no full disposition."""
        return sum(
            (d := self.dispositions.get(f.finding)) is None or not d.complete for f in self.findings
        )


def session_facts(archive: Archive, session: str, *, rule: str | None = None) -> SessionFacts:
    """Gather a session's facts.

    Parameters
    ----------
    archive : Archive
    session : str
    rule : str, optional
        Margin rule, by name or as a file; the default rule when not given.

    Raises
    ------
    ArchiveError
        There is no such session.
    UsageError
        There is no such rule.
    """
    record = archive.session(session)
    chosen = load_rule(rule) if rule else load_rule()
    lacking: list[str] = []
    stated = _stated(archive, session, lacking)
    found = findings(archive, session)
    mechanics = SessionMechanics(archive, session)
    margins = mechanics.margins(chosen)
    if not margins.height:
        lacking.append(
            "margins: the arm file lacks gear ratio, torque constant or current limit, "
            "or there is too little steady motion"
        )
    held = mechanics.held_stretches
    return SessionFacts(
        record=record,
        statement=stated,
        findings=found,
        dispositions=dispositions(archive, session),
        signed=sign_off(archive, session),
        entries=history(archive, session),
        pins=pins(archive, session),
        maintenance=_notes_on(archive, record),
        baseline=_baseline(archive, stated.baseline if stated else None, lacking),
        duty=mechanics.duty,
        tables=mechanics.tables,
        brakes=mechanics.brake_events,
        slips=held.filter(pl.col("status").is_in(["slip", "returned"])) if held.height else held,
        margins=withhold_doubted_brakes(margins, found, held),
        rule=chosen,
        lacking=tuple(lacking),
    )


def _stated(archive: Archive, session: str, lacking: list[str]) -> Statement | None:
    try:
        return statement(archive, session)
    except JointbookError as error:
        lacking.append(f"check: {error.sentence()}")
        return None


def _baseline(archive: Archive, version: str | None, lacking: list[str]) -> Baseline | None:
    if not version:
        return None
    try:
        return load_baseline(archive, version)
    except BaselineError as error:
        lacking.append(f"expected current: {error.sentence()}")
        return None


def _notes_on(archive: Archive, record: Session) -> pl.DataFrame:
    """Return what was done to this session's units up to its end, the last first."""
    serials = [record.unit(joint) for joint in record.joints]
    notes = maintenance(archive).filter(pl.col("serial").is_in(serials))
    return notes.filter(pl.col("date") <= record.end).sort("date", descending=True)
