"""Connections that keep arriving or go: heads that trickle in, bodies slower than any line.

Waitress closes a connection on which nothing came for a while, and takes every byte for a sign
of life; a byte now and then would hold one for ever. Here a request has to be told whole, and
its body to come at some rate, or its connection counts as idle.
"""

from __future__ import annotations

from typing import Any

from waitress.channel import HTTPChannel
from waitress.server import BaseWSGIServer

LEAST_BYTES_S = 1024
"""So quickly a body comes at least, over all of it."""


class Connection(HTTPChannel):
    """One connection; what is waited for too long is no activity."""

    _heard = 0.0
    _began = 0.0

    @property
    def last_activity(self) -> float:
        """When something last came that counts: the server closes by it, after its idle time."""
        request = self.request
        if request is None:
            return self._heard
        body_s: float = request.body_bytes_received / LEAST_BYTES_S
        return min(self._heard, self._began + body_s)

    @last_activity.setter
    def last_activity(self, now: float) -> None:
        if self.request is None:
            self._began = now
        self._heard = now


def keep_moving(sockets: dict[Any, Any]) -> None:
    """Make all that listens among a server's sockets take connections of this kind."""
    for listening in sockets.values():
        if isinstance(listening, BaseWSGIServer):
            listening.channel_class = Connection
