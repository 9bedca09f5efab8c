"""The one place where state rests; everything after it can be recomputed."""

from replay.archive.findings import Finding
from replay.archive.migrations import migrate
from replay.archive.repair import Mended, repair, repair_marker
from replay.archive.store import Archive, open_archive
from replay.archive.verify import verify

__all__ = [
    "Archive",
    "Finding",
    "Mended",
    "migrate",
    "open_archive",
    "repair",
    "repair_marker",
    "verify",
]
