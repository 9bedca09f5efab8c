"""Where time and memory of the main job go, room by room of the engine.

    python -m tests.benchmarks.profile_job ARCHIVE LOG|SESSION... [--map FILE]... [--arm FILE]

Logs are taken in; then the sessions (theirs, and those that were named) are learned from and
checked: in this process, on a copy of the archive, which need not be there. A room's seconds are
those of its own code and of what it called in libraries, waiting for the disk and for other
threads too; cProfile makes much-called code look slower than it is. Its peak is the most memory
the process held while the room was at work, looked at every few milliseconds.
"""

from __future__ import annotations

import argparse
import cProfile
import os
import pstats
import resource
import shutil
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import psutil

import replay
from replay.cli.ids import full_id

ROOT = str(Path(replay.__file__).parent) + os.sep
ELSEWHERE = "elsewhere"
LOOK_S = 0.005
MOST_CALLS = 500  # so many callers up, time that circles among libraries is given up
T = TypeVar("T")


@dataclass(frozen=True)
class Stage:
    """What one stage of the job took, by room."""

    name: str
    wall_s: float
    seconds: Mapping[str, float]
    peaks_mib: Mapping[str, float]

    def lines(self) -> list[str]:
        """Return the table, the dearest room first; the shares are of all that was profiled."""
        total, most = sum(self.seconds.values()), max(self.peaks_mib.values())
        lines = [f"{self.name:<12}{'s':>9}{'share':>9}{'peak MiB':>11}"]
        for room, spent in sorted(self.seconds.items(), key=lambda item: -item[1]):
            peak = f"{self.peaks_mib[room]:.0f}" if room in self.peaks_mib else "–"
            lines.append(f"  {room:<10}{spent:>9.2f}{spent / total:>9.1%}{peak:>11}")
        return [*lines, f"  {'whole':<10}{total:>9.2f}{self.wall_s:>8.2f}s{most:>11.0f}"]


def room_of(file: str) -> str | None:
    """Return the room of the engine that a file of code is in; None outside of it."""
    first, within, _ = file.removeprefix(ROOT).partition(os.sep)
    return (first if within else "top files") if file.startswith(ROOT) else None


def by_room(stats: Mapping[Any, Any]) -> dict[str, float]:
    """Divide all own times of a profile (`pstats`) among rooms; a library's go to its callers."""
    spent, waiting = Counter[str](), Counter[Any]()

    def charge(function: Any, seconds: float, which: int) -> None:
        room = room_of(function[0])  # or else to its callers, by their share of it
        parts = {} if room else {f: e[which] for f, e in stats[function][4].items()}
        if (total := sum(parts.values())) <= 0:
            spent[room or ELSEWHERE] += seconds
        for caller, part in parts.items() if total > 0 else ():
            waiting[caller] += seconds * part / total

    for function, (_, _, own_s, _, _) in stats.items():
        charge(function, own_s, 2)
    for _ in range(MOST_CALLS):
        moved, waiting = waiting, Counter()
        for function, seconds in moved.items():
            charge(function, seconds, 3)
    return {**spent, ELSEWHERE: spent[ELSEWHERE] + sum(waiting.values())}


def measured(name: str, job: Callable[[], T]) -> tuple[T, Stage]:
    """Do a stage of the job under both instruments."""
    peaks: dict[str, float] = {}
    done, here, process = threading.Event(), threading.get_ident(), psutil.Process()

    def look() -> None:
        last = False
        while not last:
            last = done.wait(LOOK_S)
            frame, room = sys._current_frames().get(here), None
            while frame is not None and room is None:
                frame, room = frame.f_back, room_of(frame.f_code.co_filename)
            held = process.memory_info().rss / 2**20
            peaks[room or ELSEWHERE] = max(held, peaks.get(room or ELSEWHERE, 0.0))

    watcher, profile = threading.Thread(target=look, daemon=True), cProfile.Profile()
    watcher.start()
    began_s = time.perf_counter()
    result, wall_s = profile.runcall(job), time.perf_counter() - began_s
    done.set()
    watcher.join()
    stats: Any = pstats.Stats(profile)
    return result, Stage(name, wall_s, by_room(stats.stats), peaks)


def stages_of(
    archive: replay.Archive, given: Sequence[str], maps: Sequence[Path], arm: Path | None
) -> Iterator[Stage]:
    """Take in the logs, learn from the sessions and check them."""
    logs = [path for path in given if Path(path).exists()]
    names = [full_id(archive, name) for name in given if name not in logs]
    if logs:
        taken, stage = measured(
            "ingest", lambda: replay.ingest(archive, logs, log_map=maps, arm=arm)
        )
        yield stage
        names += [s.session for s in taken.sessions] + taken.unchanged
    baseline, stage = measured("learn", lambda: replay.learn(archive, names))
    yield stage
    yield measured("check", lambda: list(replay.check_all(archive, names, baseline)))[1]


def main() -> None:
    """Print a table a stage; its last line has the seconds of the clock in place of a share."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("archive", type=Path)
    parser.add_argument("given", nargs="+", metavar="LOG|SESSION")
    parser.add_argument("--map", action="append", type=Path, default=[])
    parser.add_argument("--arm", type=Path)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="jointbook-profile-") as scratch:
        if args.archive.exists():
            shutil.copytree(args.archive, scratch, dirs_exist_ok=True)
        archive = replay.open_archive(scratch, create=True)
        for stage in stages_of(archive, args.given, args.map, args.arm):
            print("\n".join(stage.lines()), flush=True)
    most, load = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, os.getloadavg()[0]
    print(f"most that was held, by the system: {most:.0f} MiB; load {load:.1f}")


if __name__ == "__main__":
    main()
