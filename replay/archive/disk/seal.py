"""Small JSON files that vouch for themselves.

What the archive notes about other files (digests, commits, its own version)
must not be believed when it is itself damaged. Such a file carries the SHA-256
of all else in it, so that a changed digit is told from a changed file.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any

import orjson

SEAL = "seal"


def sealed(document: Mapping[str, Any]) -> bytes:
    """Return a document as JSON with its seal."""
    whole = {**document, SEAL: _seal(document)}
    return orjson.dumps(whole, option=orjson.OPT_SORT_KEYS | orjson.OPT_INDENT_2)


def unsealed(content: bytes) -> dict[str, Any] | None:
    """Return what was sealed, or None when a byte of it is not what was written."""
    try:
        document = orjson.loads(content)
    except ValueError:
        return None
    if not isinstance(document, dict) or SEAL not in document:
        return None
    seal = document.pop(SEAL)
    return document if seal == _seal(document) else None


def _seal(document: Mapping[str, Any]) -> str:
    return hashlib.sha256(orjson.dumps(document, option=orjson.OPT_SORT_KEYS)).hexdigest()
