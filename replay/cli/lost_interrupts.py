"""An interrupt that Python drops is sent again.

An exception that arises in a weak reference's callback or in ``__del__`` is reported and
dropped. An interrupt that comes while a library computes is raised at the first Python code
after it, and that may be such a callback (of a thread pool that goes); then the command
would run on to its end.
"""

from __future__ import annotations

import _thread
import contextlib
import sys
import threading
from collections.abc import Iterator

AGAIN_S = 0.02
"""Long enough for the callback to be over."""


@contextlib.contextmanager
def sent_again() -> Iterator[None]:
    """Send an interrupt that was dropped to the main thread once more, while this lasts."""
    before, coming = sys.unraisablehook, list[threading.Timer]()

    def hook(dropped: sys.UnraisableHookArgs, /) -> None:
        if not issubclass(dropped.exc_type, KeyboardInterrupt):
            before(dropped)
            return
        again = threading.Timer(AGAIN_S, _thread.interrupt_main)
        again.daemon = True
        coming.append(again)
        again.start()

    sys.unraisablehook = hook
    try:
        yield
    finally:
        sys.unraisablehook = before
        for again in coming:
            again.cancel()
