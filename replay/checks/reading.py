"""A session read once: its blocks for the model, its measures at the log's own rate."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from replay.archive import Archive
from replay.models.grid.blocks import Piece, SessionBlocks
from replay.models.grid.condensing import condense
from replay.signatures.marks import Seen, join_seen
from replay.signatures.registry import MEASURES
from replay.signatures.track import tracks

SeenBy = Mapping[str, Mapping[str, Seen]]
"""What the measures saw, by joint and measure."""


@dataclass(frozen=True, slots=True)
class Reading:
    """All that learning and checking need of a session; little of a long log."""

    blocks: SessionBlocks
    seen: SeenBy

    @property
    def session(self) -> str:
        """Name of the session."""
        return self.blocks.record.session


class Measuring:
    """Looks at every piece of one session with every measure."""

    def __init__(self) -> None:
        self._parts: dict[str, dict[str, list[Seen]]] = {}

    def __call__(self, piece: Piece) -> None:
        """Look at one piece."""
        record = piece.record
        units = {joint: record.unit(joint) for joint in record.joints}
        for track in tracks(piece.channels, record.joints, units):
            into = self._parts.setdefault(track.joint, {})
            for measure in MEASURES.values():
                into.setdefault(measure.name, []).append(measure.look(track))

    def seen(self) -> SeenBy:
        """Return what was seen in all pieces."""
        return {
            joint: {name: join_seen(parts) for name, parts in by.items()}
            for joint, by in self._parts.items()
        }


def read(archive: Archive, session: str, filter_s: float) -> Reading:
    """Read a session in pieces of an hour, once for the model and the measures.

    Parameters
    ----------
    archive : Archive
    session : str
    filter_s : float
        Length of the model's filter (``Model.filter_s``).
    """
    measuring = Measuring()
    blocks = condense(archive, session, measuring, filter_s=filter_s)
    return Reading(blocks, measuring.seen())
