"""Linear algebra on one thread: small matrices, and the same bits wherever it runs."""

from __future__ import annotations

from contextlib import AbstractContextManager
from typing import Any


def one_thread() -> AbstractContextManager[Any]:
    """Return a context in which BLAS uses one thread.

    Several would mostly wait for each other on matrices as small as ours; and
    how a sum is cut up among threads changes its last bits, which must not
    depend on the machine that a session is judged on.
    """
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

    limited: AbstractContextManager[Any] = threadpool_limits(limits=1, user_api="blas")
    return limited
