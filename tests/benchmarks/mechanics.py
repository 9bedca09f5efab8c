"""How long a session's mechanics take: ``python tests/benchmarks/mechanics.py [HOURS] [HERTZ]``.

One session of seven joints is written to a scratch archive; then the joint
tables with loads, tip speed, friction, brakes, slips, margins and duty are
computed, best of three, against a plain read of the same columns as numpy
arrays in the same run.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import polars as pl

sys.path.insert(0, str(Path(__file__).parents[2]))

from replay.archive import Archive
from replay.arm import load_arm, poses
from replay.signals import SessionMechanics
from replay.wear.session_friction import session_friction
from tests.arm.makers import symmetric_text
from tests.signals.makers import archive_of


def write(folder: Path, hours: float, hertz: float, *, rate: bool, jitter: float) -> Archive:
    rng = np.random.default_rng(0)
    n = int(hours * 3600 * hertz)
    t = (np.arange(n) + jitter * rng.uniform(-0.4, 0.4, n)) / hertz
    channels: dict[str, object] = {}
    for k in range(1, 8):
        phase = (t + 8 * k) % 60
        w = np.interp(
            phase, [0, 5, 9, 25, 29, 35, 39, 55, 59, 60], [0, 0, 2, 2, 0, 0, -2, -2, 0, 0]
        )
        w *= 0.1 + 0.9 * rng.random(int(t[-1] // 60) + 2)[((t + 8 * k) // 60).astype(int)]
        q = np.concatenate([[0.0], np.cumsum((w[1:] + w[:-1]) / 2 * np.diff(t))])
        channels[f"J{k}.angle_deg"] = q + 0.002 * rng.normal(size=n)
        if rate:
            channels[f"J{k}.rate_deg_s"] = w + 0.01 * rng.normal(size=n)
        channels[f"J{k}.current_a"] = 0.8 * np.sign(w) + 0.2 * w + 0.05 * rng.normal(size=n)
        channels[f"J{k}.temperature_c"] = 20 + 5 * np.sin(t / 3000)
        channels[f"J{k}.brake_engaged"] = phase < 3
        channels[f"J{k}.brake_engage_cmd"] = phase < 2.95
    return archive_of(
        folder,
        {"main": channels},
        {"main": t},
        arm_toml=symmetric_text(),
        base_end="A",
        payload_kg=1000.0,
    )


def plain_read(archive: Archive) -> None:
    frame = pl.read_parquet(archive.root / "samples" / "s" / "main.parquet")
    for name in frame.columns:
        frame[name].to_numpy()


def best(work: Callable[[], object]) -> float:
    times = []
    for _ in range(3):
        begin = time.perf_counter()
        work()
        times.append(time.perf_counter() - begin)
    return min(times)


def everything(archive: Archive) -> dict[str, float]:
    spent: dict[str, float] = {}
    begin = time.perf_counter()
    session = SessionMechanics(archive, "s")

    def clock(name: str) -> None:
        nonlocal begin
        now = time.perf_counter()
        spent[name] = now - begin
        begin = now

    clock("reading and rates")
    assert session.tables
    clock("joint tables with loads")
    assert session.tip.height
    clock("tip place and speed")
    for name, table in session.tables.items():
        session_friction({}, name, f"TU-{name}", table)
    clock("friction")
    assert session.brake_events.height
    clock("brakes")
    assert session.held_stretches.height
    clock("slips")
    assert session.neighbour_slips is not None
    clock("slips beside stops")
    assert session.duty.height
    clock("duty")
    assert session.margins().height
    clock("margins")
    return spent


def main() -> None:
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 1.0
    hertz = float(sys.argv[2]) if len(sys.argv) > 2 else 100.0
    for title, rate, jitter in (
        ("angles and rates, even time", True, 0.0),
        ("angles only, even time", False, 0.0),
        ("angles only, jittered time", False, 1.0),
    ):
        with tempfile.TemporaryDirectory() as folder:
            archive = write(Path(folder), hours, hertz, rate=rate, jitter=jitter)
            report(archive, f"{title}: {hours:g} h, {hertz:g} Hz, 7 joints")
    angles = np.random.default_rng(0).uniform(-180, 180, (1_000_000, 7))
    arm = load_arm(symmetric_text())
    print(f"poses of a million instants: {best(lambda: poses(arm, angles)):.2f} s")


def report(archive: Archive, title: str) -> None:
    floor = best(lambda: plain_read(archive))
    runs, cpu = [], []
    for _ in range(3):
        begin = time.process_time()
        runs.append(everything(archive))
        cpu.append(time.process_time() - begin)
    least = min(runs, key=lambda r: sum(r.values()))
    total = sum(least.values())
    print(title)
    for name, spent in sorted(least.items(), key=lambda item: -item[1]):
        print(f"    {name:<26}{spent:7.2f} s")
    print(f"    {'all':<26}{total:7.2f} s, {total / floor:.0f} x a plain read ({floor:.3f} s)")
    print(f"    {'processor time, both cores':<26}{min(cpu):7.2f} s")


if __name__ == "__main__":
    main()
