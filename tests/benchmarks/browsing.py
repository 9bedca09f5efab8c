"""What the benchmarks in a browser share: a server of its own, what came over the wire, figures."""

from __future__ import annotations

import subprocess
import sys
import time
import urllib.request
from dataclasses import dataclass, field

import numpy as np
import psutil
from playwright.sync_api import Page

SIZE = {"width": 1280, "height": 800}
STAGE = "window.jointbook.replay.player"
DRAWN = f"""() => {{ const s = {STAGE};
  return s && s.cache.whole.logged && s.drawnAt && !s.stale; }}"""

MOVE = """([from, to]) => new Promise((done) => {
  const s = window.jointbook.replay.player, t0 = performance.now();
  s.setWindow(from, to);
  const look = () => {
    const near = s.cache.near.logged;
    const there = near && near.covers(s.view.from, s.view.to) && near.columns;
    const wide = s.view.to - s.view.from > s.config.length * 0.6;
    if ((there || wide) && !s.stale && s.drawnAt > t0 && !s.cache.waiting['near-logged'])
      requestAnimationFrame(() => done(performance.now() - t0));
    else requestAnimationFrame(look);
  };
  look(); })"""


class Server:
    """A dashboard, or a peer, as a program of its own, so that memory is its own."""

    def __init__(self, words: list[str], port: int, python: str = sys.executable) -> None:
        self.base = f"http://127.0.0.1:{port}"
        began = time.perf_counter()
        self.process = subprocess.Popen(
            [python, *words], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        while True:
            try:
                urllib.request.urlopen(self.base, timeout=60).read()
                break
            except OSError:
                if self.process.poll() is not None:
                    raise RuntimeError(f"{words} did not start") from None
                time.sleep(0.1)
        self.start_s = time.perf_counter() - began

    def memory_mb(self) -> float:
        """Return what the program holds in memory, MB."""
        return float(psutil.Process(self.process.pid).memory_info().rss) / 1e6

    def stop(self) -> None:
        """End the program."""
        self.process.terminate()
        self.process.wait()


@dataclass
class Shown:
    """What one way to show the data needed; times in ms, from opening the address."""

    name: str
    share: float
    """Which part of the data it showed, 0 to 1."""
    first_plots: float = float("nan")
    zooms: list[float] = field(default_factory=list)
    memory_mb: float = float("nan")
    wire_mb: float = float("nan")
    trouble: str = ""

    @property
    def zoom(self) -> float:
        """The median zoom, ms."""
        return float(np.median(self.zooms)) if self.zooms else float("nan")

    def line(self) -> str:
        """Say it in one line."""
        if self.trouble:
            return f"{self.name}, {self.share:.2%} of the data: did not get there ({self.trouble})"
        return (
            f"{self.name}, {self.share:.2%} of the data: first plots {self.first_plots:.0f} ms, "
            f"zoom median {self.zoom:.0f} ms, server {self.memory_mb:.0f} MB, "
            f"{self.wire_mb:.1f} MB over the wire"
        )

    def beside(self, ours: Shown) -> str:
        """Say its figures as ratios to ours."""
        return (
            f"{self.name} ({self.share:.2%}) / jointbook ({ours.share:.0%}): first plots "
            f"{self.first_plots / ours.first_plots:.1f}, zoom {self.zoom / ours.zoom:.1f}, memory "
            f"{self.memory_mb / ours.memory_mb:.1f}, wire {self.wire_mb / ours.wire_mb:.1f}"
        )


class Wire:
    """Counts what a page receives, compressed, bytes."""

    def __init__(self, page: Page) -> None:
        self.sizes: list[float] = []
        session = page.context.new_cdp_session(page)
        session.send("Network.enable")
        session.on("Network.loadingFinished", lambda e: self.sizes.append(e["encodedDataLength"]))

    def mb(self) -> float:
        """Return what came so far, MB."""
        return sum(self.sizes) / 1e6


def ms(values: list[float]) -> str:
    """Return median, 95th percentile and greatest in words."""
    p50, p95 = np.percentile(values, [50, 95])
    return f"median {p50:.0f} ms, p95 {p95:.0f} ms, greatest {max(values):.0f} ms (n {len(values)})"
