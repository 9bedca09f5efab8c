"""A spike of one sample in ten million is seen however far out one looks."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from replay.archive import Archive, open_archive
from replay.records import Session
from tests.pages.conftest import Visit

ROWS = 10_000_000
HERTZ = 100
SPIKE_ROW, SPIKE_A = 7_654_321, 9.5

PIXELS = """(t) => {
  const panels = window.jointbook.replay.player.panels;
  const p = panels.panels.find((q) => q.key === 'current');
  const dpr = window.devicePixelRatio, x = panels.x(t);
  const top = (1 - (8.5 - p.low) / (p.high - p.low)) * p.height;
  const box = p.canvas.getContext('2d').getImageData(
    Math.round((x - 2) * dpr), 0, Math.ceil(4 * dpr), Math.max(1, Math.round(top * dpr)));
  let inked = 0;
  for (let i = 0; i < box.data.length; i += 4) {
    const [r, , b, alpha] = box.data.slice(i, i + 4);
    if (alpha > 60 && b - r > 80) inked += 1; // the joint's blue, not a grid line
  }
  return [p.high, inked];
}"""


@pytest.fixture(scope="module")
def long_log(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    archive = open_archive(tmp_path_factory.mktemp("long") / "archive", create=True)
    start = datetime(2031, 6, 1, tzinfo=UTC)
    time = pl.Series(np.arange(ROWS, dtype=np.int64) * (10**9 // HERTZ)) + int(
        start.timestamp() * 1e9
    )
    rng = np.random.default_rng(5)
    current = np.tile(rng.normal(0.0, 0.2, 100_000).astype(np.float32), ROWS // 100_000)
    current[SPIKE_ROW] = SPIKE_A
    frame = pl.DataFrame(
        {
            "time": time.cast(pl.Datetime("ns")).dt.replace_time_zone("UTC"),
            "J1.rate_deg_s": np.zeros(ROWS, np.float32),
            "J1.current_a": current,
        }
    )
    record = Session(
        session="long",
        source="",
        arm="Heron",
        rows=ROWS,
        start=start,
        end=start + timedelta(seconds=(ROWS - 1) / HERTZ),
        joints=("J1",),
        units={"J1": "TU-101"},
        channels={"main": ("J1.rate_deg_s", "J1.current_a")},
        rate_hz=float(HERTZ),
    )
    archive.add_session(record, {"main": frame})
    return archive


def test_one_sample_in_ten_million_is_drawn(visit: Callable[..., Visit], long_log: Archive) -> None:
    """Its pixels are inked above everything else, and beside it there is nothing."""
    tab = visit(long_log)
    page = tab.go("/replay?session=long")
    page.wait_for_function(
        "() => { const s = window.jointbook.replay.player; return s && s.cache.whole.logged; }"
    )
    page.wait_for_timeout(300)
    at = SPIKE_ROW / HERTZ
    high, inked = page.evaluate(PIXELS, at)
    assert high > SPIKE_A
    assert inked >= 2
    assert page.evaluate(PIXELS, at - 3000)[1] == 0
    for _ in range(6):
        page.evaluate(f"window.jointbook.replay.player.zoom(0.2, {at})")
        page.wait_for_function(
            "() => !Object.keys(window.jointbook.replay.player.cache.waiting).some("
            "(k) => k.startsWith('near'))"
        )
        page.wait_for_timeout(120)
        assert page.evaluate(PIXELS, at)[1] >= 2
    assert tab.errors == []
