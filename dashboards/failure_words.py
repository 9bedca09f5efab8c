"""What failed, in words for a browser: they name files, never the server's folders.

The program's log and the command line keep whole paths. Which folders a server has, and who
its users are, is no reader's business.
"""

from __future__ import annotations

import os
import re
import tempfile
from pathlib import Path

from replay.errors import JointbookError, first_line

_NAME = r"[^\s/\"'`():,;<>|]+"
_FOLDERS = f"(?:{_NAME}/)*"
_PATH = re.compile(rf"(?<![\w.:/~<])/{_FOLDERS}{_NAME}/?")


def failure_text(error: BaseException) -> str:
    """Return what an error says: its own words, or its kind and its first line.

    >>> failure_text(JointbookError("changed", file="/srv/arms/jointbook.json", todo="repair"))
    'jointbook.json: changed (repair)'
    """
    if isinstance(error, JointbookError):
        return without_folders(error.sentence(), error.file)
    return without_folders(f"{type(error).__name__}: {first_line(error)}")


def without_folders(text: str, *named: str | None) -> str:
    """Return a text in which paths of this machine are names of files.

    Parameters
    ----------
    text : str
    named : str or None
        Paths that are known to be in it; of any others those are found that begin in a folder
        that is here, and hold no space.
    """
    known = [path for path in named if path and os.sep in path]
    for path in sorted([*known, *_own_folders()], key=len, reverse=True):
        if path in known:
            text = text.replace(path, _last(path))
        text = re.sub(rf"{re.escape(path.rstrip('/'))}/{_FOLDERS}", "", text)
    return _PATH.sub(_shortened, text)


def _own_folders() -> tuple[str, ...]:
    """Return folders of this process, which may have spaces in them."""
    found = [tempfile.gettempdir(), str(Path.home()), str(Path(__file__).parents[1])]
    return tuple(folder for folder in found if folder.count("/") > 1)


def _shortened(found: re.Match[str]) -> str:
    path = found.group()
    first = "/" + path.split("/")[1]
    return _last(path) if os.path.lexists(first) and path.count("/") > 1 else path


def _last(path: str) -> str:
    return path.rstrip("/").rpartition("/")[2]
