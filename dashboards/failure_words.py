"""What failed, in words for a browser: they name files, never the server's folders.

The program's log and the command line keep whole paths. Which folders a server has, and who
its users are, is no reader's business.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

from replay.errors import JointbookError, first_line

_LETTER = r"[^\s/\"'`“”‘’«»():,;<>|]"
_NAME = re.compile(f"{_LETTER}+")
_PLAIN = re.compile(rf"/(?:{_LETTER}+/)*")
_WORD = rf"(?:(?!\.\w{{1,8}} ){_LETTER})+"
"""One before a blank: whatever ends there like a file's name ends a path."""
_SPACED = re.compile(rf"/(?:(?:{_WORD} ){{0,3}}{_LETTER}+/)*")
_QUOTED = re.compile(r"(?<=['\"`“‘«])/(?:(?! /)[^'\"`“”‘’«»\n])*/(?=[^'\"`“”‘’«»\n]*['\"`”’»])")
_START = re.compile(r"(?:(?P<url>\bfile:(?://[\w.-]*)?)|(?<![\w.~</]))(?=/[^\s/])", re.IGNORECASE)
_MOST_LOOKS = 40
"""So many beginnings of a path are looked for on the disk."""
_MOST_LETTERS = 4000


def failure_text(error: BaseException) -> str:
    """Return what an error says: its own words, or its kind and its first line.

    >>> failure_text(JointbookError("changed", file="/srv/arms/jointbook.json", todo="repair"))
    'jointbook.json: changed (repair)'
    """
    if isinstance(error, JointbookError):
        return without_folders(error.sentence(), error.file)
    named = [getattr(error, key, None) for key in ("filename", "filename2")]
    known = [name for name in named if isinstance(name, str)]
    hidden = without_folders(str(error)[:_MOST_LETTERS], *known)  # before it is cut to a line
    words = first_line(Exception(hidden) if hidden.strip() else error)
    return f"{type(error).__name__}: {words}"


def without_folders(text: str, *named: str | None) -> str:
    """Return a text in which paths of this machine, and file URLs, are names of files.

    Parameters
    ----------
    text : str
    named : str or None
        Paths that are known to be in it. Of any others those are found that begin in a folder
        that is here: as far as their folders are here too, or a quotation mark closes them, or
        they go on by their form, where up to four words may be a folder's name.
    """
    for path in sorted(
        (p for p in named if p and os.sep in p and Path(p).name), key=len, reverse=True
    ):
        text = text.replace(path, Path(path).name)
    kept, at = [], 0
    for found in _START.finditer(text):
        begin = found.end()
        if begin < at:
            continue
        end = _end_of_folders(text, begin)
        first = "/" + text[begin + 1 :].partition("/")[0] if end > begin + 1 else _only(text, begin)
        if not (found["url"] or os.path.lexists(first)):
            continue
        kept.append(text[at : found.start()])
        if not _NAME.match(text, end):  # it ends as a folder
            kept.append(Path(text[begin:end]).name)
        at = end
    return "".join([*kept, text[at:]])


def _end_of_folders(text: str, begin: int) -> int:
    """Return where the name begins that a path ends in, by its form or by what is here."""
    line = text[begin:].partition("\n")[0]
    forms = [_PLAIN, _QUOTED]
    plain = re.match(rf"(?:/{_LETTER}+)+", line)
    if plain and not os.path.lexists(plain.group()):  # so it may go on behind a blank
        forms.append(_SPACED)
    ends = [found.end() for form in forms if (found := form.match(text, begin))]
    slashes = [k for k, letter in enumerate(line) if letter == "/"][1 : _MOST_LOOKS + 1]
    ends += [begin + k + 1 for k in slashes if os.path.isdir(line[:k])]
    return max(ends)


def _only(text: str, begin: int) -> str:
    """Return a path that is one name, when it is a folder's; else nothing."""
    name = _NAME.match(text, begin + 1)
    path = f"/{name.group()}" if name else ""
    return path if os.path.isdir(path) else ""
