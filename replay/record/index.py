"""Entries that were read, found again by kind, subject and session."""

from __future__ import annotations

from collections.abc import Sequence

from replay.record.entries import NOTHING_BEFORE, Entry


class Index:
    """Entries in their order, with three ways to find some of them quickly."""

    def __init__(self) -> None:
        self.clear()

    def clear(self) -> None:
        """Forget everything: another chain is read."""
        self.all: list[Entry] = []
        self._of_subject: dict[tuple[str, str], list[Entry]] = {}
        self._of_session: dict[str, list[Entry]] = {}
        self._of_kind: dict[str, list[Entry]] = {}

    def take(self, entries: Sequence[Entry]) -> None:
        """Add entries that follow the last one."""
        for entry in entries:
            self.all.append(entry)
            self._of_subject.setdefault((entry.kind, entry.subject), []).append(entry)
            self._of_session.setdefault(entry.session, []).append(entry)
            self._of_kind.setdefault(entry.kind, []).append(entry)

    @property
    def head(self) -> tuple[int, str]:
        """Number and hash of the last entry."""
        return (self.all[-1].seq, self.all[-1].hash) if self.all else (0, NOTHING_BEFORE)

    def entries(self, kind: str | None, session: str | None, subject: str | None) -> list[Entry]:
        """Return entries in their order, all or those of a kind, session or subject."""
        if kind is not None and subject is not None:
            found = self._of_subject.get((kind, subject), [])
        elif session is not None:
            found = self._of_session.get(session, [])
        elif kind is not None:
            found = self._of_kind.get(kind, [])
        else:
            found = self.all
        return [
            e
            for e in found
            if (kind is None or e.kind == kind)
            and (session is None or e.session == session)
            and (subject is None or e.subject == subject)
        ]

    def last(self, kind: str, subject: str) -> Entry | None:
        """Return the last entry of a subject; None where there is none."""
        found = self._of_subject.get((kind, subject))
        return found[-1] if found else None

    def last_of_each(self, kind: str) -> dict[str, Entry]:
        """Return the last entry of each subject of a kind, by subject."""
        return {e.subject: e for e in self._of_kind.get(kind, [])}
