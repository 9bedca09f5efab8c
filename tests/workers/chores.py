"""Work that tests hand to other processes; found there by its name."""

from __future__ import annotations

import os
import signal
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from replay.archive import Archive
    from replay.cleaning import IngestResult


def squared(number: int) -> int:
    return number * number


def late_first(number: int) -> int:
    """Take long for the first things, so that the later ones are done before."""
    time.sleep(0.2 if number < 2 else 0.0)
    return number


def die_at_three(number: int) -> int:
    if number == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def napping(folder: Path, number: int) -> int:
    """Tell who works, and sleep."""
    (folder / f"{os.getpid()}").touch()
    time.sleep(60)
    return number


def napping_once(folder: Path, number: int) -> int:
    """Return the square; the sixth takes so long the first time that it can be killed at it."""
    if number == 5:
        mark = folder / "5.pid"
        if mark.exists():
            (folder / "5.again").touch()
        else:
            # named when it is whole: who looks for it may look between its making and its text
            whole = folder / "5.being-written"
            whole.write_text(str(os.getpid()))
            whole.rename(mark)
            time.sleep(60)
    return number * number


def dies_once(folder: Path, work: Callable[[Any], Any], item: Any) -> Any:
    """Do the work, but for the fourth time it is asked: then the process is killed in it."""
    with open(folder / "asked", "a") as asked:
        asked.write("x")
    if (folder / "asked").stat().st_size == 4:
        (folder / "died").touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return work(item)


def own_pid() -> int:
    return os.getpid()


def sleeping(seconds: float) -> None:
    time.sleep(seconds)


def filling(octets: int) -> int:
    return len(bytearray(octets))


def ticking(seen: Path, progress: Callable[[str, int, int], None]) -> None:
    """Say once that it works, and go on for a minute, whether anybody listens or not."""
    progress("ticking", 0, 1000)
    for _ in range(1000):
        with seen.open("a") as ticks:
            ticks.write("x")
        time.sleep(0.05)


def littering(told: Path) -> None:
    """Make a folder for a while, say where, and be slow."""
    with tempfile.TemporaryDirectory(prefix="jointbook-") as folder:
        (Path(folder) / "rows").write_bytes(b"x" * 1000)
        told.write_text(folder)
        time.sleep(60)


def broken() -> None:
    """End as native code does that reads where it may not."""
    os.kill(os.getpid(), signal.SIGSEGV)


def timing_out() -> None:
    """Fail as work does that waited for something of its own."""
    raise TimeoutError("nothing came from the sensor")


def taking_slowly(
    archive: Archive,
    paths: list[Path],
    maps: list[str],
    arm: str | None,
    progress: Callable[[str, int, int], None],
) -> IngestResult:
    """Take no log in, some time for each, and without end for one."""
    from replay.cleaning import IngestResult

    for done, path in enumerate(paths):
        progress(path.name, done, len(paths))
        time.sleep(60.0 if path.name == "hangs.csv" else 0.3)
    return IngestResult(proposed=[path.name for path in paths])
