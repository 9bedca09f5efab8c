"""What `verify` says of one thing that is not as it should be."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Weight = Literal["damage", "leftover"]
Remedy = Literal["repair", "rebuild", "ingest the log again", "check again", "none"]

CHANGED = "its bytes changed since it was written"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is not as it should be.

    ``remedy`` says what mends it: ``jointbook archive repair`` or ``rebuild``,
    ingesting the log again, checking again, or none.
    """

    kind: str
    weight: Weight
    where: str
    detail: str
    remedy: Remedy
    session: str | None = None
