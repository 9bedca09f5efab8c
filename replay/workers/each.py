"""Apply one function to each of many things, and hand the results back in their order.

Whoever computes takes an `Each` and does not ask where the work is done. The
function and the things have to be such that another process can be told of
them: a function of a module, an archive, names, plain records. Only the caller
writes to an archive, from the results, in their order; so work that a dying
process leaves behind is done again by another, and nothing is stored twice.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Protocol, TypeVar

from replay.errors import JointbookError

T = TypeVar("T")
R = TypeVar("R")


class WorkersError(JointbookError):
    """Those who were to do the work have gone."""


class Each(Protocol):
    """Yields ``work(item)`` of each item, in the order of the items."""

    def __call__(self, work: Callable[[T], R], items: Iterable[T], /) -> Iterator[R]: ...  # noqa: D102


def in_turn(work: Callable[[T], R], items: Iterable[T], /) -> Iterator[R]:
    """Do all the work in this process, one thing after another.

    Parameters
    ----------
    work : callable
        Takes one item and returns its result.
    items : iterable

    Yields
    ------
    R
        The results, in the order of the items.

    >>> list(in_turn(abs, [-1, 2]))
    [1, 2]
    """
    return map(work, items)
