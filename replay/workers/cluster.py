"""Other machines: the workers of a Dask scheduler, as an `Each`.

The scheduler gives a worker's unfinished work to another when one dies. When
it dies itself, there is nobody to give the work out, and the command stops
with what was stored before.
"""

from __future__ import annotations

import contextlib
import importlib
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from types import TracebackType
from typing import Any, TypeVar

from replay.errors import JointbookError, UsageError
from replay.workers.each import WorkersError

T = TypeVar("T")
R = TypeVar("R")

AHEAD = 3
"""Things that are given out for each thread of the workers."""

REACH_S = 10.0
"""So long a scheduler may take to answer."""

ABSENT_S = 30.0
"""So long a scheduler may have no worker at all before the command gives up."""

LOOK_S = 0.5
"""How often one looks whether scheduler and workers are still there, while waiting."""


class Cluster:
    """The workers of one scheduler; a context that closes the connection.

    Parameters
    ----------
    address : str
        Where the scheduler answers, such as ``tcp://host:8786``.

    Raises
    ------
    UsageError
        Dask is not installed, or nobody answers there.
    """

    def __init__(self, address: str) -> None:
        try:
            distributed: Any = importlib.import_module("distributed")
        except ImportError:
            raise UsageError(
                "--scheduler needs Dask, which is not installed here",
                todo="pip install 'jointbook[dask]', here and where the workers run",
            ) from None
        self._address = address
        try:
            self._client: Any = distributed.Client(
                address, timeout=REACH_S, set_as_default=False, direct_to_workers=False
            )
        except (OSError, ValueError) as error:  # a timeout is an OSError
            raise UsageError(
                f"no Dask scheduler answers at {address}: {error}",
                todo="start one with `dask scheduler`, and workers with `dask worker ADDRESS`",
            ) from None

    def __enter__(self) -> Cluster:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: object, trace: TracebackType | None
    ) -> None:
        self._client.close(timeout=2)

    def __call__(self, work: Callable[[T], R], items: Iterable[T], /) -> Iterator[R]:
        """Yield ``work(item)`` of each item in order; the items are drawn a little ahead.

        Raises
        ------
        WorkersError
            The scheduler has gone, has no worker, or workers died of one thing again and again.
        """
        waiting: deque[Any] = deque()
        left = iter(items)
        try:
            while True:
                while len(waiting) < AHEAD * max(1, self._threads()):
                    try:
                        item = next(left)
                    except StopIteration:
                        break
                    waiting.append(self._client.submit(_done, work, item, pure=False))
                if not waiting:
                    return
                yield self._result(waiting.popleft())
        finally:
            if self._there():
                self._client.cancel(list(waiting), force=True)

    def _there(self) -> bool:
        return str(self._client.status) == "running"

    def _threads(self) -> int:
        if not self._there():
            raise self._gone()
        try:
            return sum(self._client.nthreads().values())
        except OSError:  # the connection broke at this moment
            raise self._gone() from None

    def _result(self, future: Any) -> Any:
        from distributed import KilledWorker

        absent = time.monotonic()
        while not future.done():
            if not self._there():
                raise self._gone()
            if self._threads():
                absent = time.monotonic()
            elif time.monotonic() - absent > ABSENT_S:
                raise WorkersError(
                    f"the scheduler at {self._address} has had no worker for {ABSENT_S:.0f} s",
                    todo="start one with `dask worker ADDRESS`; what was stored before is whole, "
                    "run the command again",
                )
            self._wait(future)
        if future.status in ("cancelled", "lost"):
            raise self._gone()
        try:
            outcome, error = future.result()
        except KilledWorker as killed:
            raise WorkersError(
                f"workers died of the same piece of work again and again: {killed}",
                todo="look at the workers' logs (mostly memory); what was stored before is whole",
            ) from None
        if error is not None:
            raise error
        return outcome

    def _wait(self, future: Any) -> None:
        distributed: Any = importlib.import_module("distributed")
        with self._client.as_current(), contextlib.suppress(distributed.TimeoutError):
            distributed.wait(future, timeout=LOOK_S)

    def _gone(self) -> WorkersError:
        return WorkersError(
            f"the scheduler at {self._address} has gone",
            todo="what was stored before is whole; start it again and run the command again",
        )


def _done(work: Callable[[Any], Any], item: Any) -> tuple[Any, JointbookError | None]:
    """Do one thing on a worker; errors in our own words travel as they are."""
    from replay.workers.one_thread import one_thread

    with one_thread():
        try:
            return work(item), None
        except JointbookError as error:
            return None, error
