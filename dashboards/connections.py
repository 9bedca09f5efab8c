"""Connections that keep arriving or go: heads that trickle in, bodies slower than any line.

Waitress closes a connection on which nothing came for a while, and takes every byte for a sign
of life; a byte now and then would hold one for ever. Here a request has to be told whole, and
its body to come at some rate, or its connection counts as idle.
"""

from __future__ import annotations

from typing import Any

from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser
from waitress.server import BaseWSGIServer

LEAST_BYTES_S = 1024
"""So quickly a body comes at least, all the time: what came quicker before is no credit."""


class Connection(HTTPChannel):
    """One connection; what is waited for too long is no activity."""

    _heard = 0.0
    _paid = 0.0
    """The instant up to which what came of a request is enough; later than ``_heard`` never."""
    _of: HTTPRequestParser | None = None
    _counted = 0
    """Bytes of the body of that request which are in ``_paid``."""

    @property
    def last_activity(self) -> float:
        """When something last came that counts: the server closes by it, after its idle time."""
        return self._heard if self.request is None else self._paid

    @last_activity.setter
    def last_activity(self, now: float) -> None:
        self._heard = now

    def received(self, data: bytes) -> bool:
        """Take what came, and let time go on by as much of a body as is in it."""
        taken: bool = super().received(data)
        if self.request is not self._of:
            self._of, self._counted, self._paid = self.request, 0, self._heard
        if self.request is not None:
            got = self.request.body_bytes_received - self._counted
            self._counted += got
            self._paid = min(self._heard, self._paid + got / LEAST_BYTES_S)
        return taken


def keep_moving(sockets: dict[Any, Any]) -> None:
    """Make all that listens among a server's sockets take connections of this kind."""
    for listening in sockets.values():
        if isinstance(listening, BaseWSGIServer):
            listening.channel_class = Connection
