"""The one place where state rests; everything after it can be recomputed."""

from replay.archive.migrations import migrate
from replay.archive.repair import Mended, repair
from replay.archive.store import Archive, open_archive
from replay.archive.verify import Finding, verify

__all__ = ["Archive", "Finding", "Mended", "migrate", "open_archive", "repair", "verify"]
