"""Raw columns become clean streams; every change is told."""

from replay.cleaning.ingest import IngestResult, ingest
from replay.cleaning.notes import ROUTINE_KINDS, SET_ASIDE_KINDS, note_level

__all__ = ["ROUTINE_KINDS", "SET_ASIDE_KINDS", "IngestResult", "ingest", "note_level"]
