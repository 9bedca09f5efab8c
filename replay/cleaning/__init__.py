"""Raw columns become clean streams; every change is told."""

from replay.cleaning.ingest import IngestResult, ingest
from replay.cleaning.notes import SET_ASIDE_KINDS

__all__ = ["SET_ASIDE_KINDS", "IngestResult", "ingest"]
