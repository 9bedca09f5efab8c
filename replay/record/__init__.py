"""What people put on record: one chain of entries that only grows, in a database."""

from replay.record.closed import closed_sessions
from replay.record.copies import head as copied_head
from replay.record.entries import Draft, Entry, clean_name, clean_text, same_person
from replay.record.record import Record, open_record

__all__ = [
    "Draft",
    "Entry",
    "Record",
    "clean_name",
    "clean_text",
    "closed_sessions",
    "copied_head",
    "open_record",
    "same_person",
]
