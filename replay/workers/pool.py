"""All cores of this machine: processes that are started afresh, and end with this one.

A process is started and not forked, since the libraries beneath have threads
of their own. Only a few results wait at a time, so that memory does not grow
with the number of sessions.
"""

from __future__ import annotations

import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import parent_process
from multiprocessing.context import SpawnContext, SpawnProcess
from types import TracebackType
from typing import TypeVar

from replay.workers.each import WorkersError

T = TypeVar("T")
R = TypeVar("R")

AHEAD = 2
"""Things that are given out for each process: one in work, one waiting."""

END_S = 5.0
"""So long a process that was told to end is waited for."""

_ONE_EACH = ("POLARS_MAX_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
"""As many processes as cores: a process's libraries use one thread."""


def cores() -> int:
    """Return how many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class Pool:
    """Processes of this machine, as an `Each`; a context that ends them.

    Parameters
    ----------
    count : int
        How many processes.
    """

    def __init__(self, count: int) -> None:
        self.count = count
        self._executor = ProcessPoolExecutor(count, _Context(), begin)

    def __enter__(self) -> Pool:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: object, trace: TracebackType | None
    ) -> None:
        if kind is not None:
            self._end()
        self._executor.shutdown(wait=True, cancel_futures=kind is None)

    def _end(self) -> None:
        """End the processes; what they still work on, nobody waits for."""
        ended = list((getattr(self._executor, "_processes", None) or {}).values())
        for process in ended:
            process.terminate()
        for process in ended:
            process.join(END_S)

    def __call__(self, work: Callable[[T], R], items: Iterable[T], /) -> Iterator[R]:
        """Yield ``work(item)`` of each item in order; the items are drawn a little ahead.

        Raises
        ------
        WorkersError
            A process has ended in the middle of its work.
        """
        waiting: deque[Future[R]] = deque()
        left = iter(items)
        try:
            while True:
                while len(waiting) < AHEAD * self.count:
                    try:
                        item = next(left)
                    except StopIteration:
                        break
                    waiting.append(self._executor.submit(work, item))
                if not waiting:
                    return
                yield waiting.popleft().result()
        except (KeyboardInterrupt, SystemExit, GeneratorExit):
            self._end()  # before whoever called tidies away what they work in
            raise
        except BrokenProcessPool:
            raise WorkersError(
                "a worker process ended in the middle of its work, as one does that takes more "
                "memory than there is",
                todo="what was stored before is whole; run the command again, with fewer --workers",
            ) from None


class _Process(SpawnProcess):
    """Starts with one thread a library; those read it when they are loaded."""

    def start(self) -> None:
        before = {name: os.environ.get(name) for name in _ONE_EACH}
        os.environ.update(dict.fromkeys(_ONE_EACH, "1"))
        try:
            super().start()
        finally:
            for name, value in before.items():
                if value is None:
                    os.environ.pop(name, None)
                else:
                    os.environ[name] = value


class _Context(SpawnContext):
    Process = _Process


def begin() -> None:
    """Make a new process ready: the terminal's stop is the parent's, and so is the end."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
