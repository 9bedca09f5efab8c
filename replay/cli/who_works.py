"""Who does a command's work: this process, several of this machine, or a scheduler's workers."""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator
from contextlib import contextmanager

import polars as pl

from replay.archive import Archive
from replay.errors import UsageError
from replay.workers import Each, in_turn

WORTH_A_PROCESS = 400_000
"""Values (rows times joints) that a process must have to do: it takes about 2 s to start, in
which a session of so many is read."""

MOST = 256


def values_of(archive: Archive, sessions: Iterable[str] | None = None) -> int:
    """Return rows times joints of some sessions, all by default; nothing is opened for it."""
    frame = archive.sessions()
    if sessions is not None:
        frame = frame.filter(pl.col("session").is_in(list(sessions)))
    return int((frame["rows"] * frame["joints"]).sum()) if frame.height else 0


def add_workers(parser: argparse.ArgumentParser, *, elsewhere: bool = True) -> None:
    """Declare ``--workers`` and, where other machines can do the work, ``--scheduler``."""
    parser.add_argument(
        "--workers",
        type=int,
        metavar="N",
        help="processes of this machine that work (one a core where several sessions are worth it)",
    )
    if not elsewhere:
        parser.set_defaults(scheduler=None)
        return
    parser.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="let the workers of a Dask scheduler do it, such as tcp://host:8786; they reach the "
        "archive by the same path or URL",
    )


@contextmanager
def who_works(args: argparse.Namespace, pieces: int, values: int) -> Iterator[Each]:
    """Give who works on so many pieces with so many values in all.

    Raises
    ------
    UsageError
        Both were asked for, the number makes no sense, or no scheduler answers.
    """
    if args.workers is not None and args.scheduler is not None:
        raise UsageError("--workers and --scheduler are two answers", todo="give one of them")
    if args.workers is not None and not 1 <= args.workers <= MOST:
        raise UsageError(f"--workers is {args.workers}", todo=f"a whole number, 1 to {MOST}")
    if args.scheduler is not None:
        from replay.workers.cluster import Cluster

        with Cluster(args.scheduler) as cluster:
            yield cluster
        return
    from replay.workers.pool import Pool, cores

    count = args.workers
    if count is None:
        count = min(cores(), pieces, values // WORTH_A_PROCESS)
    if min(count, pieces) < 2:
        yield in_turn
        return
    with Pool(min(count, pieces)) as pool:
        yield pool
