"""What work in the background leaves to be said, each to the tab that began it.

A tab keeps the names of what it began (`STARTED`, until the browser's tab is closed), asks for
theirs when a job has ended or the page is there again, and strikes out what it has shown; what
others began is not told to it. An outcome stays here meanwhile: an answer can get lost.
"""

from __future__ import annotations

import threading
import uuid
from collections.abc import Iterable

from dash.development.base_component import Component

STARTED = "library-started"
"""Id of the store of what a tab began and was not told the outcome of."""

MOST_KEPT = 200
"""Outcomes kept, told or not; the oldest go first."""


class Outcomes:
    """The latest outcomes, by the name of what was begun."""

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

    def of(self, begun: Iterable[str]) -> dict[str, Component]:
        """Return the outcomes that there are of what a tab began, the oldest first."""
        waited = set(begun)
        with self._lock:
            return {name: said for name, said in self._said.items() if name in waited}
