"""A proposed log map: its lines, how sure each is, and what is not sure enough.

A line that is not needed and not sure stays a comment.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from replay.errors import LogMapError
from replay.logs.maps import LogMap, load_map

SURE = 0.6
"""Below this a line is not used without a person having looked at it."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a proposed map."""

    table: str
    key: str
    value: str
    """As TOML writes it."""
    confidence: float
    why: str


@dataclass(slots=True)
class Proposal:
    """A proposed log map, and how far it can be trusted."""

    source: str
    lines: list[Line] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    """What a log needs and this one was not seen to have."""
    said: list[str] = field(default_factory=list)
    """What was left out of the log before its columns were looked at."""

    @property
    def sure(self) -> bool:
        """Tell whether every needed line is sure enough to be used unseen."""
        return not self.missing and not self.doubts

    @property
    def doubts(self) -> list[Line]:
        """Return needed lines that are not sure enough."""
        motion = [t for t in ("joint.angle", "joint.rate") if self._sure_table(t)]
        needed = {"log", "time", "joint.current", *(motion or ["joint.angle", "joint.rate"])}
        return [
            line
            for line in self.lines
            if line.table in needed and line.confidence < SURE and line.key != "numbering"
        ]

    @property
    def toml(self) -> str:
        """The map as TOML, confidences as comments."""
        out = [
            "# A proposed log map. The figure behind each line says how sure it is, 1 is certain.",
            "# Look at every line before you rely on it.",
        ]
        table = ""
        for line in self.lines:
            off = not self._used(line.table)
            mark = "# " if off else ""
            if line.table != table:
                table = line.table
                out += ["", f"{mark}[{table}]" + ("  # not sure enough: uncomment if right" * off)]
            out.append(f"{mark}{line.key} = {line.value}  # {line.confidence:.2f} {line.why}")
        out += [f"# missing: {m}" for m in self.missing]
        out += [f"# left out: {' '.join(s.split())}" for s in self.said]
        return "\n".join(out) + "\n"

    def log_map(self) -> LogMap:
        """Return the proposal as a map; LogMapError when it is not one yet."""
        if self.missing:
            raise LogMapError(
                "no log map can be proposed: " + "; ".join(self.missing), file=self.source
            )
        return load_map(self.toml)

    @property
    def used(self) -> list[Line]:
        """Return the lines that are not comments."""
        return [line for line in self.lines if self._used(line.table)]

    def _sure_table(self, table: str) -> bool:
        mine = [line.confidence for line in self.lines if line.table == table]
        return bool(mine) and min(mine) >= SURE

    def _used(self, table: str) -> bool:
        if table in ("log", "time", "long", "joint.current"):
            return True
        if table in ("joint.angle", "joint.rate"):
            motion = ("joint.angle", "joint.rate")
            return self._sure_table(table) or not any(self._sure_table(t) for t in motion)
        return self._sure_table(table)
