"""A day of seven joints in a real browser, beside two other ways to show it.

    python -m tests.benchmarks.replay_day [--hours 24] [--peers PYTHON]

Measures the replay on ``hours`` x 100 Hz x 7 joints x 4 channels: first page,
first plots, zoom and pan until drawn, the server's part, its memory with ten
viewers, frames while playing.

With ``--peers`` (the Python of an environment with dash, polars and
plotly-resampler) the same data are shown, in the same run, by plotly-resampler,
which holds them in memory, and by a plain Dash page of Plotly figures. Plain
figures cannot hold a day: they are given more of it until they fail, and the
output says how much that was. The ratios at the end are theirs to ours.

    uv venv PEERS && uv pip install --python PEERS/bin/python dash polars plotly-resampler
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
import urllib.request
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from playwright.sync_api import Browser, Page, sync_playwright

from replay.archive import open_archive
from replay.demo import heron
from replay.records import Session
from tests.benchmarks.browsing import DRAWN, MOVE, SIZE, STAGE, Server, Wire, ms
from tests.benchmarks.replay_beside import beside
from tests.pages.conftest import CHROMIUM, FLAGS

HERTZ = 100


def make_day(folder: Path, hours: float) -> Path:
    """Write an archive with one long session and return its folder."""
    archive = open_archive(folder / "archive", create=True)
    n = int(hours * 3600 * HERTZ)
    start = datetime(2031, 5, 1, tzinfo=UTC)
    rng = np.random.default_rng(1)
    time_ns = np.arange(n, dtype=np.int64) * (10**9 // HERTZ) + int(start.timestamp()) * 10**9
    t = np.arange(n) / HERTZ
    columns = {"time": pl.Series(time_ns).cast(pl.Datetime("ns")).dt.replace_time_zone("UTC")}
    for name in heron.NAMES:
        rate = 2 * np.sin(t / rng.uniform(30, 140) + rng.uniform(0, 6))
        rate[np.abs(rate) < 0.8] = 0
        current = np.sign(rate) + 0.3 * rate + rng.normal(0, 0.05, n)
        warm = 20 + 5 * np.sin(t / 13751) + rng.normal(0, 0.1, n)
        for quantity, values in (
            ("angle_deg", np.cumsum(rate) / HERTZ % 300 - 150),
            ("rate_deg_s", rate + rng.normal(0, 0.01, n)),
            ("current_a", current),
            ("temperature_c", warm),
        ):
            columns[f"{name}.{quantity}"] = pl.Series(values.astype(np.float32))
    frame = pl.DataFrame(columns)
    record = Session(
        session="day",
        source="",
        arm="Heron",
        rows=n,
        start=start,
        end=frame["time"][-1],
        joints=heron.NAMES,
        units=dict(zip(heron.NAMES, heron.FIRST_SERIALS, strict=True)),
        channels={"main": tuple(c for c in frame.columns if c != "time")},
        rate_hz=float(HERTZ),
        completeness=1.0,
        base_end="A",
        arm_toml=heron.arm_toml(heron.FIRST_SERIALS),
    )
    archive.add_session(record, {"main": frame})
    return folder / "archive"


def first_page(browser: Browser, base: str) -> None:
    """Open the replay in five browsers that know nothing of it yet."""
    pages, plots, received = [], [], 0.0
    for _ in range(5):
        context = browser.new_context(viewport=SIZE)
        page = context.new_page()
        wire = Wire(page)
        began = time.perf_counter()
        page.goto(base + "/replay?session=day")
        page.wait_for_selector("#rp-values tr")
        pages.append((time.perf_counter() - began) * 1e3)
        page.wait_for_function(DRAWN)
        plots.append((time.perf_counter() - began) * 1e3)
        page.wait_for_timeout(1500)
        received = wire.mb()
        context.close()
    print(f"first page: {ms(pages)}; the first of them {pages[0]:.0f} ms")
    print(f"first plots from the address: {ms(plots)}; {received:.2f} MB over the wire")


def click_to_plots(page: Page, base: str) -> list[float]:
    """From a click in the menu to the first plots drawn with data."""
    taken = []
    for _ in range(5):
        page.goto(base + "/wear")
        page.wait_for_selector("a.thumb[data-page=replay]")
        page.wait_for_timeout(800)
        taken.append(
            page.evaluate(
                """() => new Promise((done) => {
            const t0 = performance.now();
            document.querySelector('a.thumb[data-page=replay]').click();
            const look = () => { const s = window.jointbook.replay.player;
              if (s && s.cache.whole.logged && s.drawnAt && !s.stale) done(performance.now() - t0);
              else requestAnimationFrame(look); };
            look(); })"""
            )
        )
    return taken


def moves(page: Page, length: float, count: int) -> list[float]:
    """Zooms and pans to places not seen before, until drawn."""
    rng = np.random.default_rng(3)
    taken = []
    for _ in range(count):
        span = float(length * 10 ** rng.uniform(-4.5, -0.3))
        start = float(rng.uniform(0, length - span))
        taken.append(page.evaluate(MOVE, [start, start + span]))
        page.wait_for_timeout(600)  # someone looks before moving on
    return taken


def frames(page: Page, seconds: float = 4.0) -> None:
    page.evaluate(f"{STAGE}.setWindow(1000, 1060); {STAGE}.setCursor(1005)")
    page.wait_for_timeout(1500)
    asked: list[str] = []
    page.on("request", lambda r: asked.append(r.url))
    page.evaluate(
        """() => { window.ticks = []; const on = (t) => { window.ticks.push(t);
        window.again = requestAnimationFrame(on); }; requestAnimationFrame(on); }"""
    )
    page.keyboard.press("Space")
    page.wait_for_timeout(int(seconds * 1e3))
    page.keyboard.press("Space")
    ticks = np.array(page.evaluate("cancelAnimationFrame(window.again), window.ticks"))
    gaps = np.diff(ticks)
    print(
        f"playing: {1e3 / gaps.mean():.1f} frames/s, longest {gaps.max():.0f} ms, "
        f"{len(asked)} requests in {seconds:g} s for {len(ticks)} frames"
    )


def ours(browser: Browser, archive: Path, hours: float) -> None:
    server = Server(["-m", "dashboards", "--archive", str(archive), "--port", "8971"], 8971)
    try:
        print(f"server up in {server.start_s:.1f} s, {server.memory_mb():.0f} MB")
        time.sleep(2)  # the server packs what a browser asks for first
        first_page(browser, server.base)
        page = browser.new_page(viewport=SIZE)
        print("click to first plots:", ms(click_to_plots(page, server.base)))
        page.wait_for_timeout(2000)
        length = hours * 3600
        print("zoom or pan until drawn:", ms(moves(page, length, 40)))
        frames(page)
        page.close()
        time.sleep(12)  # background work rests when nobody looks
        print("server's part, one viewer:", ms(windows(server.base, length, 100, 0, 0.0)))
        with ThreadPoolExecutor(10) as pool:
            lists = list(pool.map(lambda k: windows(server.base, length, 20, k, 1.0), range(10)))
        print(
            "server's part, ten viewers, a move a second each:",
            ms([t for one in lists for t in one]),
        )
        print(f"server's memory after ten viewers: {server.memory_mb():.0f} MB")
    finally:
        server.stop()


def windows(base: str, length: float, count: int, seed: int, rest_s: float) -> list[float]:
    """Ask for windows as the browser does; return what each took, ms."""
    rng = np.random.default_rng(seed)
    taken = []
    for _ in range(count):
        span = length * 10 ** rng.uniform(-4.5, -0.1)
        start = rng.uniform(0, length - span)
        began = time.perf_counter()
        words = f"from={start}&to={start + span}&columns=1400"
        urllib.request.urlopen(f"{base}/data/replay/day/window?{words}").read()
        taken.append((time.perf_counter() - began) * 1e3)
        time.sleep(rest_s * rng.uniform(0.5, 1.5))
    return taken


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--peers", metavar="PYTHON", help="a Python with dash and the resampler")
    parser.add_argument("--peers-only", action="store_true", help="leave out our own figures")
    parser.add_argument("--archive", type=Path, help="an archive made before, with session 'day'")
    args = parser.parse_args(argv)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        archive: Any = args.archive or make_day(Path(folder), args.hours)
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        print(json.dumps({"hours": args.hours, "values_million": args.hours * 3600 * 2800 / 1e6}))
        if not args.peers_only:
            ours(browser, archive, args.hours)
        if args.peers:
            beside(browser, archive, args.peers, args.hours, 8973)
        browser.close()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
