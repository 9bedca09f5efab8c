"""Who is asking: signed in by a cookie, or whoever sits at this machine."""

from __future__ import annotations

import getpass
import hashlib
import secrets
import threading
import time
from collections import deque
from dataclasses import dataclass

from replay.accounts import Role, Users

LASTS_S = 12 * 3600.0
"""A shift: after so long one signs in again."""

WITHIN_S = 15 * 60.0
"""Failures count for so long."""

MOST_FAILURES = {"both": 5, "address": 20, "name": 50}
"""Of one name from one address, from one address, of one name from anywhere."""

MOST_KEPT = 10_000
"""Counters of failures at most, so that made-up names do not fill the memory."""


@dataclass(frozen=True, slots=True)
class Visitor:
    """Somebody whose request is answered; ``signed_in`` is false at a machine without users."""

    name: str
    role: Role
    signed_in: bool


def whoever_sits_here() -> Visitor:
    """Return the visitor of a dashboard on one's own machine, who may do all."""
    try:
        name = getpass.getuser()
    except (KeyError, OSError):
        name = ""
    return Visitor(name, Role.ADMINISTRATOR, False)


class Sessions:
    """Who is signed in: the digest of each one's token, never the token."""

    def __init__(self, users: Users) -> None:
        self.users = users
        self._held: dict[str, tuple[str, float]] = {}
        self._lock = threading.Lock()

    def __len__(self) -> int:
        return len(self._held)

    def begin(self, name: str) -> str:
        """Return a new token for a user who has just signed in."""
        token = secrets.token_urlsafe(32)
        now = time.time()
        with self._lock:
            self._held = {k: v for k, v in self._held.items() if now - v[1] < LASTS_S}
            self._held[_digest(token)] = name, now
        return token

    def visitor(self, token: str) -> Visitor | None:
        """Return whose token this is; None when it is nobody's any more."""
        held = self._held.get(_digest(token))
        if held is None or time.time() - held[1] >= LASTS_S:
            return None
        user = self.users.find(held[0])
        return None if user is None else Visitor(user.name, user.role, True)

    def end(self, token: str) -> None:
        """Forget a token."""
        with self._lock:
            self._held.pop(_digest(token), None)


class Failures:
    """Counts failed attempts to sign in, and says when there were too many."""

    def __init__(self) -> None:
        self._seen: dict[tuple[str, str], deque[float]] = {}
        self._lock = threading.Lock()

    def wait_s(self, name: str, address: str, now: float | None = None) -> float:
        """Return how long this name must wait at this address; 0 when it may try."""
        at = time.monotonic() if now is None else now
        waits = [0.0]
        with self._lock:
            for kind, key in _keys(name, address):
                held = self._seen.get((kind, key), deque())
                recent = [t for t in held if at - t < WITHIN_S]
                if len(recent) >= MOST_FAILURES[kind]:
                    waits.append(recent[-MOST_FAILURES[kind]] + WITHIN_S - at)
        return max(waits)

    def count(self, name: str, address: str, now: float | None = None) -> None:
        """Note a failure."""
        at = time.monotonic() if now is None else now
        with self._lock:
            if len(self._seen) > MOST_KEPT:
                self._seen = {k: v for k, v in self._seen.items() if at - v[-1] < WITHIN_S}
            for kind, key in _keys(name, address):
                held = self._seen.setdefault((kind, key), deque(maxlen=MOST_FAILURES[kind]))
                held.append(at)


def _keys(name: str, address: str) -> list[tuple[str, str]]:
    short = name[:100].casefold()
    return [("both", f"{short}\n{address}"), ("address", address), ("name", short)]


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()
