"""Frames a second while the replay plays, beside the bare browser, in one run.

    python -m tests.benchmarks.replay_cursor

The floor is an empty page with one line moved by `requestAnimationFrame`. The
other two move a cursor over eight Plotly figures of seven traces with 2,000
points: as an overlay, and as a shape by `Plotly.relayout`. Presented frames
are those that the browser's own trace reports as presented.
"""

from __future__ import annotations

import json
import logging
import tempfile
import threading
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import plotly
from playwright.sync_api import Browser, Page, sync_playwright
from werkzeug.serving import make_server

from dashboards.app import create_app
from replay.archive import open_archive
from replay.checks import learn
from replay.demo.sessions import SessionPlan, session_record, simulate_session
from tests.pages.conftest import CHROMIUM, FLAGS

SECONDS = 4.0
SIZE = {"width": 1920, "height": 1080}
OVERLAY = """<div id=c style="position:absolute;top:0;left:0;width:2px;height:100%;background:#000;
will-change:transform;z-index:9"></div>"""
MOVE = """() => { let x = 0; const f = () => { x = (x + 2) % 1500;
document.getElementById('c').style.transform = `translateX(${x}px)`;
requestAnimationFrame(f); }; f(); }"""
RELAYOUT = """() => { let x = 0; const f = async () => { x = (x + 4) % 2000;
for (const g of document.querySelectorAll('.g')) await Plotly.relayout(g, {shapes: [{type: 'line',
x0: x, x1: x, y0: 0, y1: 1, yref: 'paper'}]}); window.moved = (window.moved || 0) + 1;
requestAnimationFrame(f); }; f(); }"""


def measure(browser: Browser, page: Page) -> tuple[float, float, float]:
    """Return (callback frames/s, presented frames/s, longest wait in ms)."""
    page.evaluate(
        """() => { window.ticks = []; const on = (t) => { window.ticks.push(t);
        window.again = requestAnimationFrame(on); }; requestAnimationFrame(on); }"""
    )
    path = Path(tempfile.mkdtemp()) / "trace.json"
    categories = ["disabled-by-default-devtools.timeline.frame"]
    browser.start_tracing(page=page, path=path, categories=categories)
    page.wait_for_timeout(int(SECONDS * 1000))
    browser.stop_tracing()
    ticks = np.array(page.evaluate("cancelAnimationFrame(window.again), window.ticks"))
    gaps = np.diff(ticks)
    return 1e3 / gaps.mean(), presented(json.loads(path.read_text())), float(gaps.max())


def presented(trace: dict[str, Any]) -> float:
    shown = {
        event["args"]["frame_reporter"].get("display_trace_id"): event["ts"]
        for event in trace["traceEvents"]
        if event["name"] == "PipelineReporter"
        and event["ph"] == "b"
        and event["args"]["frame_reporter"]["state"].startswith("STATE_PRESENTED")
    }
    times = sorted(ts for frame, ts in shown.items() if frame)
    return (len(times) - 1) / ((times[-1] - times[0]) / 1e6) if len(times) > 2 else float("nan")


def say(name: str, got: tuple[float, float, float], floor: float) -> None:
    callbacks, shown, longest = got
    print(
        f"{name}: {callbacks:.1f} callbacks/s, {shown:.1f} presented/s, longest wait "
        f"{longest:.0f} ms, {callbacks / floor:.2f} of the bare browser"
    )


def figures(page: Page) -> None:
    source = Path(plotly.__file__).parent / "package_data" / "plotly.min.js"
    page.set_content("<body style='margin:0'>" + OVERLAY + "<div class=g></div>" * 8)
    page.add_script_tag(content=source.read_text())
    page.evaluate(
        """() => document.querySelectorAll('.g').forEach((g) => { g.style.height = '130px';
        Plotly.newPlot(g, Array.from({length: 7}, (_, k) => ({x: [...Array(2000).keys()],
        y: Array.from({length: 2000}, (_, i) => Math.sin(i / 50 + k) + Math.random() / 5)})),
        {margin: {t: 5, b: 20}, showlegend: false}); })"""
    )
    page.wait_for_timeout(1500)


def replay(browser: Browser, folder: Path) -> tuple[tuple[float, float, float], int, int]:
    archive = open_archive(folder / "archive", create=True)
    for day in range(3):
        start = datetime(2031, 3, 1 + day, 9, tzinfo=UTC)
        frame, _ = simulate_session(SessionPlan(start=start, minutes=4.0, rate_hz=50.0), seed=day)
        record = session_record(SessionPlan(start=start), frame, name=f"day-{day}")
        archive.add_session(record, {"main": frame})
    learn(archive)
    server = make_server("127.0.0.1", 0, create_app(archive).server, threaded=True)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    page = browser.new_page(viewport=SIZE)
    page.goto(f"http://127.0.0.1:{server.server_port}/replay?session=day-2")
    page.wait_for_function(
        "() => { const s = jointbook.replay.player; return s && s.cache.exact; }"
    )
    page.evaluate(
        "jointbook.replay.player.setWindow(20, 60); jointbook.replay.player.setCursor(25)"
    )
    page.wait_for_timeout(3000)
    asked: list[str] = []
    page.on("request", lambda r: asked.append(r.url))
    page.keyboard.press("Space")
    got = measure(browser, page)
    plots = page.locator(".rp-panel").count()
    page.close()
    server.shutdown()
    return got, len(asked), plots


def main() -> int:
    logging.getLogger("werkzeug").setLevel(logging.WARNING)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        page = browser.new_page(viewport=SIZE)
        page.set_content(OVERLAY)
        page.evaluate(MOVE)
        bare = measure(browser, page)
        say("bare browser", bare, bare[0])
        page.close()  # its frames would be counted with the next page's
        got, asked, plots = replay(browser, Path(folder))
        say(f"replay, {plots} linked plots, seven joints, 1920x1080", got, bare[0])
        print(f"  {asked} requests in {SECONDS:g} s")
        page = browser.new_page(viewport=SIZE)
        figures(page)
        page.evaluate(MOVE)
        say("8 Plotly figures under an overlay", measure(browser, page), bare[0])
        page.reload()
        figures(page)
        page.evaluate(RELAYOUT)
        relaid = measure(browser, page)
        began = page.evaluate("[performance.now(), window.moved || 0]")
        page.wait_for_timeout(4000)
        ended = page.evaluate("[performance.now(), window.moved || 0]")
        moved = (ended[1] - began[1]) / (ended[0] - began[0]) * 1e3
        say("8 Plotly figures, relayout", relaid, bare[0])
        print(f"  the cursor moved {moved:.1f} times a second")
        browser.close()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
