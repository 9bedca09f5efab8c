"""What work in the background leaves to be said, each to the tab that began it.

A tab keeps the names of what it began (`STARTED`, until the browser's tab is closed) and asks
for theirs when a job has ended; what others began is not told to it.
"""

from __future__ import annotations

import threading
import uuid
from collections.abc import Iterable

from dash.development.base_component import Component

STARTED = "library-started"
"""Id of the store of what a tab began and was not told the outcome of."""

MOST_KEPT = 200
"""Outcomes kept for tabs that may have been closed; the oldest go first."""


class Outcomes:
    """Outcomes that nobody was told yet, by the name of what was begun."""

    def __init__(self) -> None:
        self._said: dict[str, Component] = {}
        self._lock = threading.Lock()

    def begin(self) -> str:
        """Return a name for what is begun; nobody guesses it, no later server repeats it."""
        return uuid.uuid4().hex

    def say(self, name: str, outcome: Component) -> None:
        """Keep the outcome of what was begun under a name."""
        with self._lock:
            self._said[name] = outcome
            for old in list(self._said)[:-MOST_KEPT]:
                del self._said[old]

    def take(self, begun: Iterable[str]) -> tuple[Component | None, list[str]]:
        """Return the latest outcome among what a tab began, and what it still waits for."""
        waited, last = list(begun), None
        with self._lock:
            there = [n for n in self._said if n in waited]
            for name in there:
                last = self._said.pop(name)
        return last, [n for n in waited if n not in there]
