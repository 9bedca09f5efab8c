"""Many viewers replay while logs are taken in and a baseline is learned: errors, waits, memory.

Run by hand: ``python -m tests.benchmarks.crowd ARCHIVE LOGS MAP [--viewers 50] [--seconds 180]``.
A viewer is what a page asks of the server while somebody zooms: a window of the logged and,
every fourth time, of the derived channels, at random places, with a second's thought between;
no browser draws. ``LOGS`` go into a copy of the archive twice at a time, each time under other
names, by commands of their own, and ``learn`` runs beside them. Memory is the server's own.
In the first half every session is looked at for the first time; the second is told by itself.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import subprocess
import sys
import tempfile
import threading
import time
import urllib.parse
import urllib.request
from collections import Counter
from pathlib import Path

import numpy as np
import psutil

from replay.archive import Archive, open_archive
from tests.benchmarks.browsing import Server

PORT = 8977
THOUGHT_S = 1.0


class Crowd:
    """What the viewers met."""

    def __init__(self, base: str, archive: Archive) -> None:
        self.base = base
        rows = archive.sessions()
        seconds = (rows["end"] - rows["start"]).dt.total_seconds()
        self.sessions = list(zip(rows["session"], seconds, strict=True))
        self.joints = {s: archive.session(s).joints for s, _ in self.sessions}
        self.waits: dict[str, list[tuple[float, float]]] = {
            "window": [], "derived": [], "news": []
        }  # fmt: skip
        """By what was asked: when, and how long it took, s."""
        self.failed: Counter[str] = Counter()
        self.done = threading.Event()
        self.lock = threading.Lock()

    def view(self, seed: int) -> None:
        """Zoom about in sessions until all is done."""
        draw = random.Random(seed)
        while not self.done.wait(THOUGHT_S * draw.random() * 2):
            session, seconds = draw.choice(self.sessions)
            start = draw.random() * seconds * 0.8
            words = {
                "from": start,
                "to": min(seconds, start + draw.choice([5.0, 30.0, seconds])),
                "columns": 1000,
                "joints": ",".join(self.joints[session]),
            }
            what = "derived" if draw.random() < 0.25 else "window"
            self.ask(what, f"/data/replay/{session}/{what}?{urllib.parse.urlencode(words)}")
            self.ask("news", f"/data/record/news?session={session}&after=0")

    def ask(self, what: str, path: str) -> None:
        """Ask for one thing, and note how long it took or how it failed."""
        begin = time.perf_counter()
        try:
            with urllib.request.urlopen(self.base + path, timeout=120) as answer:
                answer.read()
        except OSError as error:
            with self.lock:
                self.failed[f"{what}: {error}"] += 1
            return
        with self.lock:
            self.waits[what].append((begin, time.perf_counter() - begin))


def commands(
    archive: Path, logs: Path, log_map: Path, scratch: Path, done: threading.Event
) -> None:
    """Take logs in by two commands at a time, and learn, again and again."""
    turn = 0
    while not done.is_set():
        turn += 1
        running = [[sys.executable, "-m", "replay", "learn", "--archive", str(archive)]]
        for k in range(2):
            folder = scratch / f"logs-{turn}-{k}"
            arm = f'arm = "crowd {turn} {k}"'
            made = scratch / f"map-{turn}-{k}.toml"
            made.write_text(log_map.read_text().replace("[log]", f"[log]\n{arm}", 1))
            shutil.copytree(logs, folder)
            words = [sys.executable, "-m", "replay", "ingest", str(folder), "--map", str(made)]
            running.append([*words, "--archive", str(archive), "--workers", "1"])
        for one in [subprocess.Popen(w, stdout=-3, stderr=-3) for w in running]:
            code = one.wait()
            print(f"  turn {turn}: {one.args[3]} ended with {code}", flush=True)  # type: ignore[index]


def main() -> None:
    """Let the crowd in, and print what it met."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("archive", type=Path)
    parser.add_argument("logs", type=Path)
    parser.add_argument("map", type=Path)
    parser.add_argument("--viewers", type=int, default=50)
    parser.add_argument("--seconds", type=float, default=180)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="jointbook-crowd-") as made:
        scratch = Path(made)
        archive = scratch / "archive"
        shutil.copytree(args.archive, archive)
        words = ["-m", "dashboards", "--archive", str(archive)]
        server = Server([*words, "--port", str(PORT)], PORT)
        memory = psutil.Process(server.process.pid)
        crowd = Crowd(server.base, open_archive(archive))
        threads = [threading.Thread(target=crowd.view, args=(k,)) for k in range(args.viewers)]
        work = (archive, args.logs, args.map, scratch, crowd.done)
        beside = threading.Thread(target=commands, args=work)
        for thread in (*threads, beside):
            thread.start()
        begin = time.perf_counter()
        while (past := time.perf_counter() - begin) < args.seconds:
            time.sleep(min(30.0, args.seconds - past))
            held = memory.memory_info().rss / 1e6
            print(f"  {time.perf_counter() - begin:.0f} s: {held:.0f} MB", flush=True)
        crowd.done.set()
        for thread in threads:
            thread.join()
        print(f"{args.viewers} viewers, {args.seconds:.0f} s, load {os.getloadavg()[0]:.1f}")
        for what, took in crowd.waits.items():
            for said, since in (("in all", 0.0), ("second half", args.seconds / 2)):
                waits = [wait for when, wait in took if when >= begin + since]
                if waits:
                    p50, p95 = np.percentile(waits, (50, 95))
                    print(
                        f"{what}, {said}: {len(waits)} answers, median {p50:.2f} s, p95 {p95:.2f} s"
                    )
        print(f"errors: {dict(crowd.failed) or 0}", flush=True)
        beside.join()  # what was begun is ended
        server.process.terminate()
        server.process.wait()


if __name__ == "__main__":
    main()
