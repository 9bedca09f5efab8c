"""Work on what came from outside, in a process of its own with bounded memory and time.

A file of a kilobyte can ask for more memory than any machine has, and a reader in native code
then ends its process, whatever stands around it. So the process is one that can be spared:
when it dies, or takes too long, whoever asked is told so and goes on.
"""

from __future__ import annotations

import contextlib
import json
import resource
import sys
import tempfile
import threading
from collections.abc import Callable
from concurrent.futures import TimeoutError as TookTooLong
from concurrent.futures import wait
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any, TypeVar

from pebble import ProcessExpired, ProcessPool

from replay.errors import JointbookError
from replay.workers.pool import begin

R = TypeVar("R")
Progress = Callable[[str, int, int], None]

LOOK_S = 0.1
"""So often one looks how far the work is."""


class LimitError(JointbookError):
    """Something from outside took more than it may; ``last`` is what was in work then."""

    def __init__(self, what: str, *, todo: str | None = None, last: str | None = None) -> None:
        self.last = last
        super().__init__(what, todo=todo)


@dataclass(frozen=True, slots=True)
class Limits:
    """What one piece of work may take."""

    memory_bytes: int
    """Of data; files that are mapped do not count."""
    seconds: float


class Confined:
    """One process that does one thing at a time, within limits; a context that ends it.

    It is started with the first thing to do, and anew when it had to be ended.

    Parameters
    ----------
    limits : Limits
    """

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._pool: ProcessPool | None = None
        self._lock = threading.Lock()

    def __enter__(self) -> Confined:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End the process, whatever it does."""
        with self._lock:
            pool, self._pool = self._pool, None
        if pool is not None:
            pool.stop()  # type: ignore[no-untyped-call]
            pool.join()

    def prepare(self) -> None:
        """Start the process ahead of the first thing that it is asked."""
        self._started().schedule(_nothing)

    def _started(self) -> ProcessPool:
        with self._lock:
            if self._pool is None:
                self._pool = ProcessPool(
                    max_workers=1,
                    context=get_context("spawn"),
                    initializer=_confine,
                    initargs=(self._limits.memory_bytes,),
                )
            return self._pool

    def __call__(self, work: Callable[..., R], *given: Any, progress: Progress | None = None) -> R:
        """Return ``work(*given)``, with ``progress`` as one more argument where it is given.

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
        """
        with tempfile.TemporaryDirectory(prefix="jointbook-") as folder:
            told = _Told(Path(folder) / "progress.json")
            more = (told,) if progress is not None else ()
            future = self._started().schedule(
                work, args=(*given, *more), timeout=self._limits.seconds
            )
            try:
                before: tuple[str, int, int] | None = None
                while not wait([future], timeout=LOOK_S).done:
                    now = told.last()
                    if progress is not None and now is not None and now != before:
                        before = now
                        progress(*now)
                result: R = future.result()
                return result
            except TookTooLong:
                raise self._over(f"took longer than {self._limits.seconds:.0f} s", told) from None
            except (ProcessExpired, MemoryError):
                most = self._limits.memory_bytes / (1 << 30)
                raise self._over(f"took more memory than {most:.1f} GB", told) from None
            finally:
                future.cancel()  # type: ignore[no-untyped-call]  # nothing, once it is done

    @staticmethod
    def _over(what: str, told: _Told) -> LimitError:
        last = told.last()
        return LimitError(
            f"{what}, which nothing from outside may; it was ended, and nothing of it was stored",
            todo="a table with one cell far from the others is as large as all between: take that "
            "cell out; a log that is truly so large goes in with `jointbook ingest`",
            last=last[0] if last else None,
        )


class _Told:
    """How far the work is, in a file that is put in place whole: a killed writer harms nobody."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def __call__(self, what: str, done: int, total: int) -> None:
        part = self._path.with_suffix(".part")
        part.write_text(json.dumps([what, done, total]))
        part.replace(self._path)

    def last(self) -> tuple[str, int, int] | None:
        """Return what was told last."""
        with contextlib.suppress(OSError, ValueError):
            what, done, total = json.loads(self._path.read_text())
            return str(what), int(done), int(total)
        return None


def _nothing() -> None:
    pass


def _confine(memory_bytes: int) -> None:
    """Bound this process: its data, and no picture of its memory on the disk when it dies.

    Linux counts what a process may write to as its data, and neither files that it maps nor
    address space that its allocators set aside (setrlimit(2), RLIMIT_DATA); elsewhere the
    whole address space is bounded.
    """
    begin()
    kind = resource.RLIMIT_DATA if sys.platform == "linux" else resource.RLIMIT_AS
    for limit, most in ((kind, memory_bytes), (resource.RLIMIT_CORE, 0)):
        with contextlib.suppress(ValueError, OSError):  # a stricter one holds already
            resource.setrlimit(limit, (most, most))
