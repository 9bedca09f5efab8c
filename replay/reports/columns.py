"""The columns of what other programs take, each with its type and what it means.

The frames are made with them (`replay.reports.frames`), and the HTTP interface
describes itself from them.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

INSTANT = pl.Datetime("us", "UTC")


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a frame: its type and what it means."""

    dtype: pl.DataType
    about: str


SESSIONS: dict[str, Column] = {
    "session": Column(pl.String(), "the session's name"),
    "arm": Column(pl.String(), "the arm's name"),
    "source": Column(pl.String(), "the log it came from"),
    "start": Column(INSTANT, "first instant, UTC"),
    "end": Column(INSTANT, "last instant, UTC"),
    "rows": Column(pl.Int64(), "samples of the main stream"),
    "joints": Column(pl.Int64(), "how many joints"),
    "base_end": Column(pl.String(), "A or B; null where unknown or changing"),
    "payload_kg": Column(pl.Float64(), "null where unknown or changing"),
    "person_on_tip": Column(pl.Boolean(), "null where unknown or changing"),
    "rate_hz": Column(pl.Float64(), "the log's own rate"),
    "completeness": Column(
        pl.Float64(), "share of the rows that the rate calls for; one joint may lack more"
    ),
    "baseline": Column(pl.String(), "baseline of the last check; null where not checked"),
    "checked_at": Column(INSTANT, "when it was checked"),
    "judged_joint_h": Column(pl.Float64(), "joint-hours that were judged"),
    "expected_false_flags": Column(pl.Float64(), "false flags to expect in it"),
    "findings": Column(pl.Int64(), "findings of the last check"),
    "state": Column(pl.String(), "unchecked, open, half-signed or signed"),
}

FINDINGS: dict[str, Column] = {
    "finding": Column(pl.String(), "the finding's name"),
    "session": Column(pl.String(), "its session"),
    "arm": Column(pl.String(), "the arm"),
    "joints": Column(pl.List(pl.String()), "joints it is on; none means every joint"),
    "units": Column(pl.List(pl.String()), "serial numbers of their joint units"),
    "kind": Column(pl.String(), "what it looks like"),
    "severity": Column(pl.String(), "note, look or act: what is owed"),
    "score": Column(pl.Float64(), "-log10 of how often a healthy joint-hour shows as much"),
    "start": Column(INSTANT, "from, UTC"),
    "end": Column(INSTANT, "to, UTC"),
    "summary": Column(pl.String(), "in a sentence"),
    "flags": Column(pl.List(pl.String()), "names of its flags, the lead first"),
    "baseline": Column(pl.String(), "the baseline it was judged by"),
    "verdict": Column(pl.String(), "what a person concluded; open where nobody did"),
    "decision": Column(pl.String(), "decision on a nonconformance; null where none was taken"),
    "risk": Column(pl.String(), "MIL-STD-882E Table III; null where not assessed"),
    "by": Column(pl.String(), "who decided"),
    "decided_at": Column(INSTANT, "when"),
    "entry": Column(pl.Int64(), "number of the record's entry that holds"),
}

VERDICTS: dict[str, Column] = {
    "entry": Column(pl.Int64(), "number in the record"),
    "session": Column(pl.String(), "the session"),
    "flags": Column(pl.List(pl.String()), "flags it covers"),
    "verdict": Column(pl.String(), "what was concluded"),
    "note": Column(pl.String(), "the note with it"),
    "decision": Column(pl.String(), "decision on a nonconformance; null where none was taken"),
    "by": Column(pl.String(), "who"),
    "at": Column(INSTANT, "when, by the clock of the machine"),
    "hash": Column(pl.String(), "the entry's hash, which covers the entry before it"),
}

TRENDS: dict[str, Column] = {
    "arm": Column(pl.String(), "the arm"),
    "joint": Column(pl.String(), "the unit's place"),
    "serial": Column(pl.String(), "the joint unit"),
    "indicator": Column(pl.String(), "what is trended"),
    "unit": Column(pl.String(), "unit of its values"),
    "n": Column(pl.Int64(), "sessions"),
    "last_value": Column(pl.Float64(), "value of the last session"),
    "slope_per_year": Column(pl.Float64(), "change per year"),
    "slope_low": Column(pl.Float64(), "lower end of its 90 % interval"),
    "slope_high": Column(pl.Float64(), "upper end"),
    "p_value": Column(pl.Float64(), "of no trend"),
    "result": Column(pl.String(), "rising, falling, steady or too-few"),
    "limit": Column(pl.Float64(), "the operator's limit; null where none was set"),
    "limit_date": Column(INSTANT, "when it is reached, best guess"),
    "limit_date_low": Column(INSTANT, "early end"),
    "limit_date_high": Column(INSTANT, "late end"),
}
