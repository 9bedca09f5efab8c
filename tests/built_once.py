"""Archives that several tests start from are made by one worker and copied by the others.

A session's fixture is made anew by every worker of the test run; simulating and learning
take longer than all that is asked of them. Whoever comes first builds under a lock, in
a folder of this run that nobody changes afterwards, and everybody gets a copy to write in.
"""

from __future__ import annotations

import fcntl
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest


def built_once(factory: pytest.TempPathFactory, name: str, build: Callable[[Path], object]) -> Path:
    """Return a folder of this worker's own that holds what ``build`` makes.

    Parameters
    ----------
    factory : pytest.TempPathFactory
        The run's folders.
    name : str
        What is built; one name, one builder.
    build : callable
        Fills the folder that it is given. Nothing of it may depend on the folder's place.
    """
    base = factory.getbasetemp()
    run = base.parent if "PYTEST_XDIST_WORKER" in os.environ else base
    master = run / "built-once" / name
    master.parent.mkdir(exist_ok=True)
    with (master.parent / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not master.exists():
            making = master.with_name(f"{name}.making")
            shutil.rmtree(making, ignore_errors=True)
            making.mkdir()
            build(making)
            making.rename(master)
    own = factory.mktemp(name) / "own"
    shutil.copytree(master, own)
    return own
