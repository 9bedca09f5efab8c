"""The one place where state rests; everything after it can be recomputed."""

from replay.archive.care.findings import Finding
from replay.archive.care.repair import Mended, repair, repair_marker
from replay.archive.care.verify import verify
from replay.archive.migrations import migrate
from replay.archive.rolls import keys_of_roll
from replay.archive.store import Archive, open_archive

__all__ = [
    "Archive",
    "Finding",
    "Mended",
    "keys_of_roll",
    "migrate",
    "open_archive",
    "repair",
    "repair_marker",
    "verify",
]
