"""Keep a library's panic from ending the program.

polars and deltalake are written in Rust; where they meet bytes that nobody
foresaw they panic, and that arrives as a `PanicException`, which is no
`Exception` and passes every ordinary handler.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

from replay.errors import first_line


class Unreadable(OSError):
    """A file's bytes are such that the library reading them gave up."""


@contextlib.contextmanager
def fenced() -> Iterator[None]:
    """Turn a panic inside into `Unreadable`; all else passes as it is.

    Each library has a class of its own of that name, which cannot be imported
    from one place; so the name decides.
    """
    try:
        yield
    except BaseException as error:
        if type(error).__name__ != "PanicException":
            raise
        raise Unreadable(f"not readable: {first_line(error)}") from error
