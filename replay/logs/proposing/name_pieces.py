"""A column's name cut into words: at case changes, digits and signs, compounds in two."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass

from replay.logs.proposing.vocabulary import KNOWN_WORDS, TIME_WORDS

_PIECES = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|\d+|°C?|%")


@dataclass(frozen=True, slots=True)
class Piece:
    """One word of a name and where it stands."""

    word: str
    start: int
    end: int


def pieces(name: str) -> list[Piece]:
    """Cut a name into its words, in lower case.

    Examples
    --------
    >>> [p.word for p in pieces("X1_ActualPosition")]
    ['x', '1', 'actual', 'position']
    """
    found: list[Piece] = []
    for m in _PIECES.finditer(_plain(name)):
        found += _parted(m.group().lower(), m.start())
    return found


def _plain(name: str) -> str:
    """Return a name without accents, each letter at its place."""
    if name.isascii():
        return name
    return "".join(unicodedata.normalize("NFKD", c)[0] if c not in "°" else c for c in name)


def _parted(word: str, start: int) -> list[Piece]:
    """Part a compound into two words that are known: ``motorstrom``, ``jointangle``."""
    if len(word) >= 6 and word not in KNOWN_WORDS and word not in TIME_WORDS:
        for cut in range(2, len(word) - 2):
            one, two = word[:cut], word[cut:]
            linked = one.removesuffix("s") if len(one) > 3 else one
            known = {one, linked} & KNOWN_WORDS
            if known and two in KNOWN_WORDS and max(len(one), len(two)) > 3:
                parts = [
                    Piece(known.pop(), start, start + cut),
                    Piece(two, start + cut, start + len(word)),
                ]
                return parts
    return [Piece(word, start, start + len(word))]
