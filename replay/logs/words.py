"""Words in a log for brakes, ends and yes or no, and what they mean.

A word that nobody mapped becomes null and is reported; it is never guessed.
Without ``words`` in the map only words that cannot be misread are taken:
``on`` and ``off`` are not among them for brakes, since half the trade means
"brake applied" and the other half "brake coil powered".
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from replay.errors import LogMapError

_BRAKE: dict[str, bool] = {
    **dict.fromkeys(("engaged", "engage", "applied", "apply", "1", "1.0", "true"), True),
    **dict.fromkeys(("released", "release", "0", "0.0", "false"), False),
}
_YES_NO: dict[str, bool] = {
    **dict.fromkeys(("1", "1.0", "true", "yes", "y"), True),
    **dict.fromkeys(("0", "0.0", "false", "no", "n"), False),
}
_END: dict[str, str] = {"a": "A", "b": "B", "end a": "A", "end b": "B"}

MEANINGS: dict[str, Mapping[str, bool | str]] = {
    "brake_engaged": _BRAKE,
    "brake_engage_cmd": _BRAKE,
    "person_on_tip": _YES_NO,
    "base_end": _END,
}
"""What the right-hand side of a map's ``words`` may say, and what is taken
from a log when the map has no words. ``phase`` keeps its words as they are."""


def check_words(
    quantity: str, words: Mapping[str, str], value: object, where: str, file: object
) -> None:
    """Raise LogMapError when the map gives a word a meaning nobody knows."""
    meanings = MEANINGS.get(quantity)
    if meanings is None:
        return
    for word, meaning in words.items():
        if meaning.strip().lower() not in meanings:
            raise LogMapError(
                f"{where}.words: {word!r} means {meaning!r}, which is no state of it",
                file=file,
                todo="one of " + ", ".join(sorted(m for m in meanings if m.isalpha())),
            )
    if value is not None and str(value).strip().lower() not in meanings:
        raise LogMapError(f"{where}.value is {value!r}", file=file)


def dictionary(quantity: str, words: Mapping[str, str]) -> dict[str, bool | str] | None:
    """Return word in lower case -> meaning; None when any word stands for itself."""
    meanings = MEANINGS.get(quantity)
    if meanings is None:
        return {k.strip().lower(): v for k, v in words.items()} if words else None
    if words:
        told = {k.strip().lower(): meanings[v.strip().lower()] for k, v in words.items()}
        other = {w: v for k, v in told.items() for w in _other_spellings(k)}
        return {**other, **told}
    return dict(meanings)


def _other_spellings(word: str) -> tuple[str, ...]:
    """Return how else a whole number may come out of a table: ``1`` and ``1.0`` are one word."""
    if re.fullmatch(r"-?\d+", word):
        return (f"{word}.0",)
    return (word.partition(".")[0],) if re.fullmatch(r"-?\d+\.0+", word) else ()
