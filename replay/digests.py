"""The SHA-256 of files: of one that of its octets, of several that of their digests in a row."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path


def file_digest(path: Path) -> str:
    """Return the SHA-256 of a file's octets, in hexadecimal."""
    with path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def joined_digest(digests: Sequence[str]) -> str:
    """Return the one digest that stands for one or several files, in their order.

    >>> joined_digest(["ab"])
    'ab'
    >>> joined_digest(["ab", "cd"])[:8]
    '88d4266f'
    """
    if len(digests) == 1:
        return digests[0]
    return hashlib.sha256("".join(digests).encode()).hexdigest()
