"""A finding's disposition and flags as a report says them."""

from __future__ import annotations

from replay.reports import words
from replay.reports.tables import Table, table
from replay.reviews import Disposition, Finding
from replay.reviews.judgements.scales import (
    CLASS_SCALE,
    LIKELIHOODS,
    RISK_SCALE,
    SEVERITIES,
)
from replay.wording import kind_words


def disposition_facts(held: Disposition | None) -> list[tuple[str, str]]:
    """Return (name, words) of a disposition; what was left out is said to be."""
    if held is None:
        return [("disposition", "open: nobody has decided")]
    rows = [
        ("verdict", held.verdict + (f": {held.note}" if held.note else "")),
        ("by", f"{held.by}, {words.instant(held.at)} (entry {held.seq})"),
    ]
    why = held.reasons
    if why is None:
        return [*rows, ("disposition", "none yet: a verdict without its reasons")]
    risk = (
        f"severity {why.severity} ({SEVERITIES[why.severity]}), likelihood {why.likelihood} "
        f"({LIKELIHOODS[why.likelihood]}): {why.risk} ({RISK_SCALE})"
        if why.severity and why.likelihood
        else "not assessed"
    )
    rows += [
        ("observed", why.observed),
        ("cause", why.cause or "not known"),
        ("risk", risk),
        ("nonconformance", f"{why.nonconformance} ({CLASS_SCALE})"),
    ]
    for name, text in (
        ("decision", why.decision or ""),
        ("reason", why.reason),
        ("concession", why.concession),
        ("conditions", why.conditions),
        ("owner", why.owner),
        ("verification", why.verification),
    ):
        if text:
            rows.append((name, text))
    if why.links:
        rows.append(
            ("see also", "\n".join(f"{k.kind} {k.to} {k.words}".strip() for k in why.links))
        )
    return rows


def flags_table(finding: Finding) -> Table:
    """Return the flags of a finding, the lead first."""
    return table(
        (
            {
                "flag": f.flag,
                "joint": f.joint or "every joint",
                "unit": f.unit,
                "kind": kind_words(f.kind),
                "severity": f.severity,
                "score": f.score,
                "start": words.instant(f.start),
                "end": words.instant(f.end),
            }
            for f in finding.flags
        ),
        [(h, h) for h in ("flag", "joint", "unit", "kind", "severity", "score", "start", "end")],
    )
