"""The same day in a plain Dash page and in plotly-resampler, measured; see replay_day."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from playwright.sync_api import Browser

from tests.benchmarks.browsing import SIZE, Server, Shown, Wire

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

DRAWN = """() => document.querySelectorAll('.js-plotly-plot .scatterlayer .trace path.js-line,'
  + ' .js-plotly-plot canvas').length >= 28"""


def show(
    browser: Browser, kind: str, archive: Path, python: str, shown_hours: float, hours: float
) -> Shown:
    """Serve ``shown_hours`` of the archive's day and measure it in the browser."""
    words = [str(PEERS), kind, str(archive), "--hours", str(shown_hours), "--port", "8972"]
    server = Server(words, 8972, python)
    page = browser.new_page(viewport=SIZE)
    got = Shown("plotly-resampler" if kind == "resampler" else "plain Dash", shown_hours / hours)
    try:
        wire = Wire(page)
        began = time.perf_counter()
        page.goto(server.base, timeout=PATIENCE_MS)
        page.wait_for_function(DRAWN, timeout=PATIENCE_MS)
        got.first_plots = (time.perf_counter() - began) * 1e3
        page.wait_for_timeout(500)
        got.wire_mb = wire.mb()
        rng = np.random.default_rng(3)
        for _ in range(8):
            span = shown_hours * 3600 * 10 ** rng.uniform(-3, -0.3)
            low = rng.uniform(0, shown_hours * 3600 - span)
            edges = [
                datetime.fromtimestamp(START_S + s, UTC).strftime("%Y-%m-%d %H:%M:%S.%f")
                for s in (low, low + span)
            ]
            got.zooms.append(page.evaluate(RELAYOUT, [0, *edges]))
        got.memory_mb = server.memory_mb()
    except Exception as error:
        got.trouble = f"{type(error).__name__}: {str(error).splitlines()[0]}"
    finally:
        page.close()
        server.stop()
    return got


def beside(browser: Browser, archive: Path, python: str, hours: float) -> list[Shown]:
    """Measure both peers; plain figures get more of the day until they fail."""
    peers = [show(browser, "resampler", archive, python, hours, hours)]
    print(peers[-1].line())
    for part in PLAIN_HOURS:
        peers.append(show(browser, "plain", archive, python, min(part, hours), hours))
        print(peers[-1].line())
        if peers[-1].trouble or part >= hours:
            break
    return peers
