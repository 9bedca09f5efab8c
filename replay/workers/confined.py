"""Work on what came from outside, in a process of its own with bounded memory and time.

A file of a kilobyte can ask for more memory than any machine has, and a reader in native code
then ends its process, whatever stands around it. So the process is one that can be spared:
when it dies, or takes too long, whoever asked is told so and goes on.
"""

from __future__ import annotations

import contextlib
import re
import signal
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any, TypeVar

from pebble import ProcessExpired, ProcessPool

from replay.errors import JointbookError
from replay.workers.confinement import Told, confine, said, within

R = TypeVar("R")
Progress = Callable[[str, int, int], None]

LOOK_S = 0.1
"""So often one looks how far the work is."""
WAIT_S = 60.0
"""So long what is asked waits for what others asked before."""
_END_S = 10.0
"""So long a process that is ended is waited for; after 3 s it is killed."""
_NO_MEMORY = re.compile(rb"memory allocation of \d+ bytes failed|bad_alloc|out of memory", re.I)
"""What native code says last when it got no memory: Rust's and C++'s run times, in their words."""


class LimitError(JointbookError):
    """Something from outside took more than it may; ``last`` is what was in work then."""

    def __init__(self, what: str, *, todo: str | None = None, last: str | None = None) -> None:
        self.last = last
        super().__init__(what, todo=todo)


class ReaderEnded(LimitError):
    """The process ended at something from outside, and nobody knows that a limit was why."""


class BusyError(JointbookError):
    """What others asked takes so long that this was not begun."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What one piece of work may take."""

    memory_bytes: int
    """Of data; files that are mapped do not count."""
    seconds: float
    """From one step that the work tells of to the next; of all of it, where it tells none."""


class Confined:
    """Processes that do one thing at a time each, within limits; a context that ends them.

    They are started with the first thing to do, and anew when one had to be ended.

    Parameters
    ----------
    limits : Limits
    count : int
        How many: so many things are done at a time.
    wait_s : float
        How long a thing waits for one of them.
    """

    def __init__(self, limits: Limits, count: int = 1, wait_s: float = WAIT_S) -> None:
        self._limits, self._count, self._wait_s = limits, count, wait_s
        self._pool: ProcessPool | None = None
        self._lock = threading.Lock()

    def __enter__(self) -> Confined:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End the processes, whatever they do; who waits for them is told ReaderEnded."""
        with self._lock:
            pool, self._pool = self._pool, None
            if pool is not None:
                _end(pool)

    def prepare(self) -> None:
        """Start the processes ahead of the first thing that they are asked."""
        self._started().schedule(_nothing)

    def _started(self) -> ProcessPool:
        with self._lock:
            if self._pool is not None and not self._pool.active:  # all ended, with nothing to do
                _end(self._pool)
                self._pool = None
            if self._pool is None:
                self._pool = ProcessPool(
                    max_workers=self._count,
                    context=get_context("spawn"),
                    initializer=confine,
                    initargs=(self._limits.memory_bytes,),
                )
            return self._pool

    def __call__(self, work: Callable[..., R], *given: Any, progress: Progress | None = None) -> R:
        """Return ``work(*given)``, with ``progress`` as one more argument where it is given.

        What it leaves among temporary files goes when it is done or was ended.

        Parameters
        ----------
        work : callable
            A function of a module; what it takes, returns and raises has to travel.
        progress : callable, optional
            ``progress(what, done, total)``, called here; if it raises, the work is ended.

        Raises
        ------
        LimitError
            When it took too long, or more memory than it may, and was ended.
        ReaderEnded
            When its process ended for another reason.
        BusyError
            When no process was free for so long that it was not begun.
        """
        with tempfile.TemporaryDirectory(prefix="jointbook-", ignore_cleanup_errors=True) as made:
            folder = Path(made)
            told = Told(folder / "progress.json")
            more = (told,) if progress is not None else ()
            pool = self._started()
            future = pool.schedule(within, args=(folder, work, (*given, *more)))
            try:
                self._wait(pool, future, told, progress)
                result: R = future.result()
                return result
            except MemoryError:
                raise self._too_large(told) from None
            except ProcessExpired as ended:
                if _NO_MEMORY.search(said(folder)):
                    raise self._too_large(told) from None
                raise _ended(_how(ended.exitcode), told) from None
            except BrokenProcessPool:
                raise _ended("and its pool with it", told) from None
            finally:
                ran = future.running()
                if future.cancel() and ran:  # type: ignore[no-untyped-call]
                    self._until_ended(pool, future)  # it writes into the folder until then
                if last_words := said(folder):
                    sys.stderr.write(last_words.decode(errors="replace"))

    def _until_ended(self, pool: ProcessPool, future: Future[R]) -> None:
        if self._pool is pool:
            wait([future], timeout=_END_S)
        else:
            with self._lock:  # which who ends the pool gives back after it
                pass

    def _wait(
        self, pool: ProcessPool, future: Future[R], told: Told, progress: Progress | None
    ) -> None:
        """Return when the work is done; raise when it, or its turn, takes too long."""
        begun, since = False, time.monotonic()
        before: tuple[str, int, int] | None = None
        while not wait([future], timeout=LOOK_S).done:
            if self._pool is not pool:
                raise _ended("with whoever had started it", told)
            if not begun and future.running():
                begun, since = True, time.monotonic()
            now = told.last() if progress is not None else None
            if progress is not None and now is not None and now != before:
                before, since = now, time.monotonic()
                progress(*now)
            took_s = time.monotonic() - since
            if not begun and took_s > self._wait_s:
                raise BusyError(f"other work took so long that {took_s:.0f} s were not enough")
            if begun and took_s > self._limits.seconds:
                raise _over(f"took longer than {self._limits.seconds:.0f} s", told)

    def _too_large(self, told: Told) -> LimitError:
        gib = self._limits.memory_bytes / (1 << 30)
        return _over(f"took more memory than {gib:.1f} GiB", told)


def _over(what: str, told: Told) -> LimitError:
    last = told.last()
    return LimitError(
        f"{what}, which nothing from outside may, and was ended", last=last[0] if last else None
    )


def _ended(how: str, told: Told) -> ReaderEnded:
    last = told.last()
    return ReaderEnded(f"its reader ended {how}", last=last[0] if last else None)


def _end(pool: ProcessPool) -> None:
    pool.stop()  # type: ignore[no-untyped-call]
    pool.join()


def _nothing() -> None:
    pass


def _how(code: int) -> str:
    """Return how a process ended, by its exit code.

    >>> _how(-11), _how(3)
    ('by SIGSEGV', 'with code 3')
    """
    with contextlib.suppress(ValueError):
        return f"by {signal.Signals(-code).name}"
    return f"with code {code}"
