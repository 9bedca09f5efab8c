"""The one family of exceptions that jointbook raises on purpose.

Every message says what is wrong, where, and what to do next. The place is
also kept as fields, so that a page or a JSON document can show it without
parsing the sentence.
"""

from __future__ import annotations


class JointbookError(Exception):
    """Something the user can act on.

    Parameters
    ----------
    what : str
        What is wrong, in words a user of the tool knows.
    file, row, column, joint : optional
        Where. ``row`` counts data rows from 1, as a person reading the file
        would; a header line is not a data row.
    todo : str, optional
        What to do about it.
    """

    def __init__(
        self,
        what: str,
        *,
        file: object = None,
        row: int | None = None,
        column: str | None = None,
        joint: str | None = None,
        todo: str | None = None,
    ) -> None:
        self.what = what
        self.file = None if file is None else str(file)
        self.row = row
        self.column = column
        self.joint = joint
        self.todo = todo
        super().__init__(self.sentence())

    def sentence(self) -> str:
        """Return the message with its place and its advice, on one line."""
        places = [
            str(self.file) if self.file else "",
            f"row {self.row}" if self.row is not None else "",
            f"column {self.column!r}" if self.column else "",
            f"joint {self.joint!r}" if self.joint else "",
        ]
        place = ", ".join(p for p in places if p)
        text = f"{place}: {self.what}" if place else self.what
        return f"{text} ({self.todo})" if self.todo else text


class ArmFileError(JointbookError):
    """The arm file does not describe an arm."""


class LogMapError(JointbookError):
    """The log map is wrong, or does not fit the log it was given for."""


class LogRefused(JointbookError):
    """A log, or a part of it, cannot be taken; nothing of it was stored."""


class ArchiveError(JointbookError):
    """The archive is missing, damaged, read-only or of another version."""


class DamageError(ArchiveError):
    """Something in the archive is not what was written; it must not be taken for absent."""


class BaselineError(JointbookError):
    """No baseline fits the question, or there is too little to learn from."""


class UsageError(JointbookError):
    """A command or a function was called with arguments that make no sense."""


class RecordError(JointbookError):
    """The record of what people decided is missing, busy, full, damaged or of another version."""


class StaleError(UsageError):
    """Somebody else wrote to the same thing after it was last looked at.

    ``theirs`` are the entries that the writer had not seen, oldest first.
    """

    def __init__(self, what: str, theirs: tuple[object, ...], *, todo: str | None = None) -> None:
        self.theirs = theirs
        super().__init__(what, todo=todo)


LONGEST_LINE = 200
"""Letters kept of what another library says of its failure."""


def first_line(error: BaseException) -> str:
    r"""Return what an error says first, or its kind where it says nothing.

    Libraries put plans, traces and advice for programmers behind it: those are
    for the log.

    >>> first_line(ValueError("no such column; there are a, b\n\nresolved plan: ..."))
    'no such column; there are a, b'
    >>> first_line(EOFError()), first_line(OSError(" \n"))
    ('EOFError', 'OSError')
    """
    lines = str(error).strip().splitlines() or [type(error).__name__]
    return lines[0][:LONGEST_LINE]
