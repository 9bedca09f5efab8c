"""Two sessions, or spans of them, brought together motion by motion."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import polars as pl

from dashboards.queries.event.events import downsampled
from replay.archive import Archive
from replay.records import Session
from replay.signals.motion.difference_table import DIFFERENCES
from replay.signals.motion.motions import MOTIONS_SCHEMA, known_motions
from replay.signals.motion.pairing import compare_sessions
from replay.signals.motion.similar import overlay

Span = tuple[datetime | None, datetime | None]

QUANTITIES: dict[str, str] = {word: unit for _, word, unit in DIFFERENCES}
"""What is compared and its unit, by the words of the difference table."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """A comparison and what it was made of."""

    first: Session
    second: Session
    table: pl.DataFrame
    pairs: pl.DataFrame

    @property
    def joints(self) -> list[str]:
        """Joints that both sessions have, end A first."""
        return [j for j in self.first.joints if j in self.second.joints]

    def pairs_of(self, joint: str) -> pl.DataFrame:
        """Return one joint's pairs in their order."""
        return self.pairs.filter(pl.col("joint") == joint) if self.pairs.height else self.pairs

    def other_units(self) -> list[str]:
        """Return joints where another unit sat in the second session."""
        return [j for j in self.joints if self.first.unit(j) != self.second.unit(j)]


def comparison(
    archive: Archive, first: str, second: str, first_span: Span, second_span: Span
) -> Comparison:
    """Compare two sessions; ArchiveError when one is not there."""
    table, pairs = compare_sessions(
        archive, first, second, first_span=first_span, second_span=second_span
    )
    return Comparison(archive.session(first), archive.session(second), table, pairs)


def motions(archive: Archive, session: str, joint: str) -> pl.DataFrame:
    """Return a joint's motions in a session."""
    return known_motions(archive, session, joint)


def pair_traces(archive: Archive, made: Comparison, joint: str, index: int) -> pl.DataFrame:
    """Return both motions of a pair on one clock, row 0 the first session's."""
    pair = made.pairs_of(joint).row(index, named=True)
    rows = pl.concat(
        known_motions(archive, record.session, joint)
        .filter(pl.col("number") == pair[side])
        .select(list(MOTIONS_SCHEMA))
        for record, side in ((made.first, "first"), (made.second, "second"))
    )
    traces = overlay(archive, rows, before_s=1.0, after_s=None)
    parts = [
        downsampled(part, ("current_a", "rate_deg_s"), 2000)
        for part in traces.partition_by("row", maintain_order=True)
    ]
    return pl.concat(parts) if parts else traces
