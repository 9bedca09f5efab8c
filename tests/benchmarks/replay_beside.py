"""The same day in a plain Dash page and in plotly-resampler, measured; see replay_day."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from playwright.sync_api import Browser, Page

from tests.benchmarks.browsing import DRAWN, MOVE, SIZE, Server, Shown, Wire

PEERS = Path(__file__).with_name("replay_peers.py")
START_S = datetime(2031, 5, 1, tzinfo=UTC).timestamp()
PLAIN_HOURS = (0.1, 0.5, 2.0, 8.0, 24.0)
PATIENCE_MS = 60_000
"""How long a peer may take to its first plots."""

RELAYOUT = """([plot, from, to]) => new Promise((done) => {
  const gd = document.querySelectorAll('.js-plotly-plot')[0], t0 = performance.now();
  let last = 0;
  gd.on('plotly_afterplot', () => { last = performance.now(); });
  window.Plotly.relayout(gd, {'xaxis.range[0]': from, 'xaxis.range[1]': to});
  const look = () => (last && performance.now() - last > 400 ? done(last - t0)
    : requestAnimationFrame(look));
  look(); })"""

THEIRS_DRAWN = """() => document.querySelectorAll(
  '.js-plotly-plot .scatterlayer .trace path.js-line, .js-plotly-plot canvas').length >= 28"""


ROUNDS = 3
ZOOMS = 3


def beside(browser: Browser, archive: Path, python: str, hours: float, port: int) -> None:
    """Measure both peers and the replay turn about; plain figures until they fail."""
    own = Server(["-m", "dashboards", "--archive", str(archive), "--port", str(port)], port)
    try:
        compare(browser, own, "resampler", archive, python, hours, hours)
        for part in PLAIN_HOURS:
            part = min(part, hours)
            if not compare(browser, own, "plain", archive, python, part, hours) or part >= hours:
                break
    finally:
        own.stop()


def compare(
    browser: Browser,
    own: Server,
    kind: str,
    archive: Path,
    python: str,
    shown_hours: float,
    hours: float,
) -> bool:
    """Show ``shown_hours`` by a peer and the whole by ours, turn about; say both and the ratio.

    Turns of seconds, so that what else the machine does falls on both. Returns
    whether the peer got there.
    """
    words = [str(PEERS), kind, str(archive), "--hours", str(shown_hours), "--port", "8972"]
    server = Server(words, 8972, python)
    share = shown_hours / hours
    their = Shown("plotly-resampler" if kind == "resampler" else "plain Dash", share)
    ours = Shown("jointbook", 1.0)
    first: dict[str, list[float]] = {their.name: [], ours.name: []}
    try:
        for turn in range(ROUNDS):
            rng = np.random.default_rng(turn)
            spans = [float(10 ** rng.uniform(-3, -0.3)) for _ in range(ZOOMS)]
            places = [(f, float(rng.uniform(0, 1 - f))) for f in spans]
            for got, base, path, drawn in (
                (their, server, "/", THEIRS_DRAWN),
                (ours, own, "/replay?session=day", DRAWN),
            ):
                context = browser.new_context(viewport=SIZE)
                page = context.new_page()
                wire = Wire(page)
                began = time.perf_counter()
                page.goto(base.base + path, timeout=PATIENCE_MS)
                page.wait_for_function(drawn, timeout=PATIENCE_MS)
                first[got.name].append((time.perf_counter() - began) * 1e3)
                page.wait_for_timeout(1500)
                got.wire_mb = wire.mb()
                for part, where in places:
                    got.zooms.append(zoom(page, got is ours, part, where, shown_hours, hours))
                    page.wait_for_timeout(300)
                got.memory_mb = base.memory_mb()
                context.close()
    except Exception as error:
        their.trouble = f"{type(error).__name__}: {str(error).splitlines()[0]}"
    finally:
        server.stop()
    for got in (their, ours):
        got.first_plots = float(np.median(first[got.name] or [np.nan]))
    print(their.line())
    if their.trouble:
        return False
    print(f"  turn about: {ours.line()}")
    print(f"  ratio: {their.beside(ours)}")
    return True


def zoom(
    page: Page, ours: bool, part: float, where: float, shown_hours: float, hours: float
) -> float:
    """Zoom to a part of what is shown; return how long until it was drawn, ms."""
    length = (hours if ours else shown_hours) * 3600
    low, high = where * length, (where + part) * length
    if ours:
        return float(page.evaluate(MOVE, [low, high]))
    edges = [
        datetime.fromtimestamp(START_S + s, UTC).strftime("%Y-%m-%d %H:%M:%S.%f")
        for s in (low, high)
    ]
    return float(page.evaluate(RELAYOUT, [0, *edges]))
