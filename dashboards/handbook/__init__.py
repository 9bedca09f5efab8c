"""The handbook: what every word, kind, indicator and figure of the program means.

One TOML file a subject, one table an entry. An entry says what the thing is,
how it is computed, its source, what to do and what not to conclude, and names
a picture. `also` lists the words by which pages call it; `entry_of` finds the
entry of such a word. The README's list of words is made from the same text:
``python -m dashboards.handbook`` prints it.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from replay.wording import kind_words

GROUPS: dict[str, str] = {
    "articles": "How it works",
    "words": "Words and figures",
    "kinds": "Kinds of events, results and rules",
    "indicators": "Indicators of wear",
}
"""The files and their titles, in the order of the page."""

_UNITS = re.compile(
    r"[\s,(/]+(deg/s²|deg/s|deg|n m|a s/deg|a2 s|a²s|a|°c|ms|s|kg|hz|%|spreads|utc|1|h)\)?$"
)


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry. ``what`` of an article may hold several paragraphs."""

    key: str
    group: str
    title: str
    what: str
    how: str
    source: str
    picture: str
    do: str
    dont: str
    also: tuple[str, ...] = ()
    readme: str = ""
    article: bool = False


@cache
def entries() -> dict[str, Entry]:
    """Return every entry by its key, in the order of the files."""
    found: dict[str, Entry] = {}
    for group in GROUPS:
        text = Path(__file__).with_name(f"{group}.toml").read_text("utf-8")
        for key, fields in tomllib.loads(text).items():
            also = tuple(fields.pop("also", ()))
            found[key] = Entry(key=key, group=group, also=also, **fields)
    return found


def plain_word(text: str) -> str:
    """Return a heading as it is looked up: lower case, no unit, no punctuation.

    >>> plain_word("Speed deg/s"), plain_word("Largest residual, spreads")
    ('speed', 'largest residual')
    """
    word = " ".join(text.replace("“", "").replace("”", "").lower().split()).strip(" .:·")
    while (shorter := _UNITS.sub("", word).strip(" ,./")) != word and shorter:
        word = shorter
    return word.replace(",", "").replace("/", " ").strip()


@cache
def _index() -> dict[str, str]:
    index: dict[str, str] = {}
    for key, entry in entries().items():
        for word in (entry.title, *entry.also):
            index.setdefault(plain_word(word), key)
    return index


def entry_of(text: str) -> str | None:
    """Return the key of the entry that explains a word of a page; None if there is none.

    >>> entry_of("Current A"), entry_of("ripple at 40 per turn"), entry_of("teapot")
    ('channel', 'indicator-ripple', None)

    A kind leads to its entry as it is kept and as it is read:

    >>> entry_of("late-release"), entry_of("late release")
    ('late-release', 'late-release')
    """
    word = plain_word(text)
    index = _index()
    found = index.get(word) or index.get(kind_words(word))
    if found is None and " at " in word:
        found = index.get(f"{word.partition(' at ')[0]} at")
    if found is None and " of " in word:  # “coulomb friction of TU-101”, “Duty of TU-101”
        found = index.get(word.partition(" of ")[0])
    return found


def glossary() -> str:
    """Return the README's list of words, a table in Markdown."""
    rows = [f"| {e.title.lower()} | {e.readme} |" for e in entries().values() if e.readme]
    return "\n".join(["| word | here it means |", "|---|---|", *rows])
