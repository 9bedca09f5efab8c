"""The users file: names, roles and passwords as Argon2id hashes (RFC 9106).

One JSON document that its owner alone can read. It is read again when it
changes, so that whoever is taken out is out at once.
"""

from __future__ import annotations

import contextlib
import enum
import json
import os
import re
import secrets
import tempfile
import threading
from dataclasses import dataclass
from pathlib import Path

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from replay.errors import UsageError

FORMAT = 1
SHORTEST = 12
"""Characters of a password at least; SP 800-63B-4 asks for 15 where nothing else is asked and
8 beside a second factor. We ask for 12 and slow down who guesses."""
LONGEST = 256

_NAME = re.compile(r"[^\W_][\w .@'-]{0,59}")


class Role(enum.IntEnum):
    """What somebody may do; each may do what the ones before may."""

    READER = 1
    REVIEWER = 2
    MAINTAINER = 3
    ADMINISTRATOR = 4

    @property
    def word(self) -> str:
        """Its name as people write it."""
        return self.name.lower()


ABOUT = {
    Role.READER: "looks at everything, changes nothing",
    Role.REVIEWER: "gives verdicts, pins and signs",
    Role.MAINTAINER: "takes logs in, learns, checks, keeps limits and maintenance notes",
    Role.ADMINISTRATOR: "also says how many sign, and sees the server's figures",
}


@dataclass(frozen=True, slots=True)
class User:
    """One person, and what they may do."""

    name: str
    role: Role


class Users:
    """The users of one file.

    Parameters
    ----------
    path : Path
        The file; it need not be there yet.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._hasher = PasswordHasher()  # Argon2id, RFC 9106's second choice: 64 MiB, 3 passes
        self._nobody = self._hasher.hash(secrets.token_hex(16))
        self._turn = threading.Lock()
        self._read: tuple[tuple[int, int], dict[str, tuple[Role, str]]] = ((0, 0), {})

    def all(self) -> list[User]:
        """Return the users by name."""
        return [User(name, role) for name, (role, _) in sorted(self._known().items())]

    def find(self, name: str) -> User | None:
        """Return the user of a name, None where there is none."""
        held = self._known().get(name)
        return None if held is None else User(name, held[0])

    def checked(self, name: str, password: str) -> User | None:
        """Return the user whose password this is; it takes as long for a name that is unknown.

        One at a time: each takes 64 MiB, and a crowd of guesses must not take the machine.
        """
        held = self._known().get(name)
        with self._turn:
            try:
                self._hasher.verify(held[1] if held else self._nobody, password[:LONGEST])
            except (VerificationError, InvalidHashError):
                return None
        return None if held is None else User(name, held[0])

    def put(self, name: str, role: Role, password: str) -> None:
        """Add a user, or give one another role and password.

        Raises
        ------
        UsageError
            The name or the password will not do.
        """
        if not _NAME.fullmatch(name):
            raise UsageError(
                f"{name!r} is no name for a user",
                todo="letters, digits, spaces and . @ ' - _, at most 60, a letter or digit first",
            )
        if not SHORTEST <= len(password) <= LONGEST:
            raise UsageError(f"a password has {SHORTEST} to {LONGEST} characters")
        if name.casefold() in password.casefold():
            raise UsageError("the password holds the user's name", todo="choose another")
        known = dict(self._known())
        known[name] = role, self._hasher.hash(password)
        self._write(known)

    def remove(self, name: str) -> None:
        """Take a user out.

        Raises
        ------
        UsageError
            There is none of that name.
        """
        known = dict(self._known())
        if name not in known:
            raise UsageError(f"there is no user {name!r}", file=self.path)
        del known[name]
        self._write(known)

    def _known(self) -> dict[str, tuple[Role, str]]:
        try:
            found = self.path.stat()
        except FileNotFoundError:
            return {}
        stamp = found.st_ino, found.st_mtime_ns
        if self._read[0] != stamp:
            self._read = stamp, self._load()
        return self._read[1]

    def _load(self) -> dict[str, tuple[Role, str]]:
        try:
            held = json.loads(self.path.read_text("utf-8"))
            if held["format"] != FORMAT:
                raise ValueError(held["format"])
            return {u["name"]: (Role[u["role"].upper()], str(u["password"])) for u in held["users"]}
        except (ValueError, KeyError, TypeError) as error:
            raise UsageError(
                f"this is no users file: {type(error).__name__}",
                file=self.path,
                todo="`jointbook users add` makes one",
            ) from None

    def _write(self, known: dict[str, tuple[Role, str]]) -> None:
        rows = [
            {"name": name, "role": role.word, "password": kept}
            for name, (role, kept) in sorted(known.items())
        ]
        text = json.dumps({"format": FORMAT, "users": rows}, indent=1, ensure_ascii=False) + "\n"
        self.path.parent.mkdir(parents=True, exist_ok=True)
        handle, part = tempfile.mkstemp(dir=self.path.parent, prefix=".users-")  # mode 0600
        try:
            with open(handle, "w", encoding="utf-8") as file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            os.replace(part, self.path)
        except BaseException:
            with contextlib.suppress(OSError):
                os.unlink(part)
            raise
