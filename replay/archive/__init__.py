"""The one place where state rests; everything after it can be recomputed."""

from replay.archive.store import Archive, open_archive

__all__ = ["Archive", "open_archive"]
