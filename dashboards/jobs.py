"""Long work behind a live page: start, watch, cancel.

Work runs in a thread of this process; the libraries under it release the
interpreter while they compute. A job is cancelled at its next step, never in
the middle of one, so what it stores is whole or not there.
"""

from __future__ import annotations

import itertools
import logging
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sized
from dataclasses import dataclass, replace
from typing import Literal, TypeVar

from dashboards.failure_words import failure_text
from replay.errors import JointbookError

T = TypeVar("T")
KEPT_AFTER_END = 20

_log = logging.getLogger(__name__)


class Cancelled(Exception):
    """Raised inside a job's work at the step after someone cancelled it."""


@dataclass(frozen=True, slots=True)
class JobState:
    """What the tray shows of a job. ``share`` is 0 to 1, None if unknown."""

    job: str
    title: str
    state: Literal["running", "done", "cancelled", "failed"] = "running"
    share: float | None = None
    text: str = ""
    started: float = 0.0
    cancelling: bool = False


class Step:
    """What a job's work gets: it reports through it and is stopped by it."""

    def __init__(self, jobs: Jobs, job: str) -> None:
        self._jobs, self._job = jobs, job

    def __call__(self, done: float, total: float | None = None, text: str = "") -> None:
        """Report progress; raises Cancelled when the job should stop."""
        self._jobs._report(self._job, done / total if total else None, text)

    def wrap(self, items: Iterable[T], *, total: int | None = None, what: str = "") -> Iterator[T]:
        """Yield ``items`` and report each: the engine's ``progress`` argument."""
        if total is None and isinstance(items, Sized):
            total = len(items)
        for n, item in enumerate(items):
            self(n, total, f"{what} {n + 1} of {total}" if total else what)
            yield item


class Jobs:
    """The jobs of one dashboard."""

    def __init__(self) -> None:
        self._states: dict[str, JobState] = {}
        self._lock = threading.Lock()
        self._numbers = itertools.count(1)

    def start(self, title: str, work: Callable[[Step], str | None]) -> str:
        """Run ``work(step)`` in the background and return the job's id.

        What it returns is shown as the result. A JointbookError is shown in
        its own words; any other exception is logged and named.
        """
        job = f"job-{next(self._numbers)}"
        with self._lock:
            self._states[job] = JobState(job, title, started=time.time())
        threading.Thread(target=self._run, args=(job, work), name=job, daemon=True).start()
        return job

    def cancel(self, job: str) -> None:
        """Ask a job to stop at its next step."""
        with self._lock:
            state = self._states.get(job)
            if state and state.state == "running":
                self._states[job] = replace(state, cancelling=True)

    def stop_all(self, wait_s: float) -> bool:
        """Ask every job to stop at its next step and wait; tell whether all have ended.

        What a job was storing is finished by then, or was not begun.
        """
        end = time.monotonic() + wait_s
        with self._lock:
            running = [j for j, s in self._states.items() if s.state == "running"]
        for job in running:
            self.cancel(job)
        while time.monotonic() < end:
            if all(s.state != "running" for s in self.states()):
                return True
            time.sleep(0.05)
        return not running

    def states(self) -> list[JobState]:
        """Return the running jobs and the last ones that ended, newest first."""
        with self._lock:
            ended = [j for j, s in self._states.items() if s.state != "running"]
            for job in ended[: max(0, len(ended) - KEPT_AFTER_END)]:
                del self._states[job]
            return list(reversed(self._states.values()))

    def forget_ended(self) -> None:
        """Drop the jobs that have ended from the list."""
        with self._lock:
            self._states = {j: s for j, s in self._states.items() if s.state == "running"}

    def _report(self, job: str, share: float | None, text: str) -> None:
        with self._lock:
            state = self._states[job]
            if state.cancelling:
                raise Cancelled
            self._states[job] = replace(state, share=share, text=text or state.text)

    def _run(self, job: str, work: Callable[[Step], str | None]) -> None:
        state: Literal["done", "cancelled", "failed"]
        try:
            text, state = work(Step(self, job)) or "done", "done"
        except Cancelled:
            text, state = "cancelled; what was finished before is kept", "cancelled"
        except JointbookError as error:
            text, state = failure_text(error), "failed"
        except Exception as error:
            _log.exception("job %s failed", job)
            text, state = f"failed: {failure_text(error)}", "failed"
        with self._lock:
            share = 1.0 if state == "done" else self._states[job].share
            self._states[job] = replace(self._states[job], state=state, text=text, share=share)
