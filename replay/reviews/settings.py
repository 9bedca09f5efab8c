"""The operator's settings that the record itself holds, each change an entry."""

from __future__ import annotations

from replay.archive import Archive
from replay.record import Draft, Record, clean_name, open_record

KIND = "setting"
SECOND_REVIEWER = "second-reviewer"
"""Whether a session needs the signatures of two different people."""


def second_reviewer_needed(record: Record) -> bool:
    """Tell whether the operator asks for two signatures; one is enough unless set."""
    entry = record.last(KIND, SECOND_REVIEWER)
    return bool(entry and (entry.after or {}).get("value"))


def ask_for_second_reviewer(archive: Archive, needed: bool, *, who: str) -> None:
    """Set whether a second person must sign; sessions signed before stay signed."""
    who = clean_name(who, "a setting needs the name of who sets it")
    record = open_record(archive)
    record.append(
        [
            Draft(
                kind=KIND,
                subject=SECOND_REVIEWER,
                what="set",
                who=who,
                before={"value": second_reviewer_needed(record)},
                after={"value": needed},
            )
        ]
    )
