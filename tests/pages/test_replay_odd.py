"""Logs that are not like the demo's: few rows, gaps, words missing, many joints."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any

import numpy as np
import polars as pl
import pytest
from playwright.sync_api import expect

from replay.archive import Archive, open_archive
from replay.records import Session
from tests.pages.conftest import Visit

START = datetime(2031, 7, 1, tzinfo=UTC)
Open = Callable[..., Visit]
QUICK_S = np.arange(0.01, 20, 0.037)
"""Instants of a second stream: quicker, and never on a sample of the other."""
READY = "() => { const s = window.jointbook.replay.player; return s && s.cache.whole.logged; }"


def stream(t_s: Any, channels: dict[str, Any]) -> pl.DataFrame:
    time_ns = (np.asarray(t_s) * 1e9).round().astype(np.int64) + int(START.timestamp()) * 10**9
    time = pl.Series(time_ns).cast(pl.Datetime("ns")).dt.replace_time_zone("UTC")
    return pl.DataFrame({"time": time, **channels})


def add(
    archive: Archive,
    name: str,
    t_s: Any,
    channels: dict[str, Any],
    joints: list[str],
    **more: tuple[Any, dict[str, Any]],
) -> None:
    """Add a session; ``more`` are further streams by name, instants and channels each."""
    frame = stream(t_s, channels)
    frames = {"main": frame} | {k: stream(t, c) for k, (t, c) in more.items()}
    record = Session(
        session=name,
        source="",
        arm="Heron",
        rows=frame.height,
        start=START,
        end=frame["time"][-1],
        joints=tuple(joints),
        units={},
        channels={k: tuple(f.columns[1:]) for k, f in frames.items()},
        rate_hz=None if frame.height < 3 else 1.0 / float(np.median(np.diff(t_s))),
    )
    archive.add_session(record, frames)


@pytest.fixture(scope="module")
def odd(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    archive = open_archive(tmp_path_factory.mktemp("odd") / "archive", create=True)
    rng = np.random.default_rng(0)
    slow = np.concatenate([np.arange(0, 300.0), np.arange(18_000, 18_300.0)])
    current = rng.normal(size=600)
    current[40:60] = np.nan
    add(
        archive,
        "slow",
        slow,
        {"J0.rate_deg_s": rng.normal(size=600), "J0.current_a": current},
        ["J0"],
    )
    add(
        archive,
        "two-rows",
        [0.0, 0.5],
        {"X.angle_deg": [1.0, 2.0], "X.current_a": [0.1, 0.2]},
        ["X"],
    )
    many = [f"A{n}" for n in range(12)]
    t = np.arange(0, 20, 0.05)
    rows = {f"{j}.current_a": rng.normal(size=t.size) for j in many}
    rows |= {f"{j}.rate_deg_s": rng.normal(size=t.size) for j in many}
    add(archive, "many", t, rows, many)
    add(
        archive,
        "dead",
        t,
        {
            "D.current_a": pl.Series([None] * t.size, dtype=pl.Float64),
            "D.rate_deg_s": rng.normal(size=t.size),
            "D.brake_engaged": pl.Series([True, None] * (t.size // 2), dtype=pl.Boolean),
        },
        ["D"],
    )
    turn = 20 * np.sin(t / 3)
    asked = np.cos(t / 3)
    add(
        archive,
        "targets",
        t,
        {
            **{f"K{n}.angle_deg": turn for n in (1, 2)},
            **{f"K{n}.angle_cmd_deg": turn + 0.5 for n in (1, 2)},
            **{f"K{n}.current_a": asked + rng.normal(0, 0.05, t.size) for n in (1, 2)},
            **{f"K{n}.current_target_a": asked + 0.25 * n for n in (1, 2)},
            **{f"K{n}.torque_nm": 40 * asked for n in (1, 2)},
        },
        ["K1", "K2"],
    )
    add(archive, "only-target", t, {"K.angle_deg": turn, "K.current_target_a": asked}, ["K"])
    add(archive, "<i>tag", t, {"D.current_a": t, "D.rate_deg_s": t}, ["D"])
    ticks = np.arange(0, 20, 0.1)
    add(
        archive,
        "streams",
        ticks,
        {"S.current_a": np.sin(ticks)},
        ["S"],
        angles=(QUICK_S, {"S.angle_deg": QUICK_S}),
    )
    return archive


def test_steps_go_through_the_samples_of_every_stream(visit: Open, odd: Archive) -> None:
    page = visit(odd).go("/replay?session=streams&at=2031-07-01T00:00:01.000000000Z")
    page.wait_for_function(READY)
    at = "window.jointbook.replay.player.view.at"
    seen = [page.evaluate(at)]
    for _ in range(6):
        page.keyboard.press("ArrowRight")
        page.wait_for_function(f"() => {at} > {seen[-1]!r}")
        seen.append(page.evaluate(at))
    every = np.union1d(np.arange(0, 20, 0.1).round(9), QUICK_S.round(9))
    first = int(np.argmin(np.abs(every - 1.0)))
    assert seen == pytest.approx(every[first : first + 7], abs=1e-6)
    assert min(b - a for a, b in pairwise(seen)) < 0.03  # closer than either stream's own step


@pytest.mark.parametrize("session", ["slow", "two-rows", "many", "dead", "<i>tag"])
def test_an_odd_log_is_shown_stepped_and_played(visit: Open, odd: Archive, session: str) -> None:
    tab = visit(odd)
    page = tab.go("/replay?session=" + session.replace("<", "%3C").replace(">", "%3E"))
    page.wait_for_function(READY)
    page.wait_for_timeout(500)
    before = page.evaluate("window.jointbook.replay.player.view.at")
    page.keyboard.press("ArrowRight")
    page.wait_for_timeout(500)
    assert page.evaluate("window.jointbook.replay.player.view.at") > before
    for key in ("Space", "+", "+", "m", "Shift+ArrowRight", "o", "0", "n", "2", "Space"):
        page.keyboard.press(key)
        page.wait_for_timeout(60)
    assert page.locator("i").count() == 0
    assert tab.errors == []


def test_what_was_not_logged_leaves_its_plot_out(visit: Open, odd: Archive) -> None:
    page = visit(odd).go("/replay?session=slow")
    page.wait_for_function(READY)
    shown = page.locator(".rp-panel").evaluate_all("(all) => all.map((p) => p.dataset.panel)")
    assert shown == ["rate", "current"]
    expect(page.locator("#rp-tip")).to_contain_text("without an arm file")
    page.get_by_text("What is switched off").click()
    expect(page.locator(".rp-off")).to_contain_text("baseline")


def test_target_current_and_torque_are_drawn_with_their_words(visit: Open, odd: Archive) -> None:
    page = visit(odd).go("/replay?session=targets&joint=K1")
    page.wait_for_function(READY)
    shown = page.locator(".rp-panel").evaluate_all("(all) => all.map((p) => p.dataset.panel)")
    assert shown == ["angle", "rate", "current", "torque"]
    page.evaluate("window.jointbook.replay.player.setCursor(9)")
    at = 9.0
    front = page.locator("#rp-front")
    expect(front).to_contain_text(f"target current \u2212{-(np.cos(at / 3) + 0.25):.2f}")
    expect(front).to_contain_text("N m")
    expect(front).to_contain_text("commanded")
    drawn = page.evaluate(
        """() => { const panels = window.jointbook.replay.player.panels, said = [];
        const text = R => (w, ...rest) => { said.push(w); };
        const p = panels.panels.find((q) => q.key === 'current');
        const quiet = new Proxy({}, { get: (_, k) => k === 'text' ? text() : () => {} });
        panels.one(quiet, p, 200);
        const torque = panels.panels.find((q) => q.key === 'torque');
        panels.one(quiet, torque, 200);
        return { said, low: p.low, high: p.high }; }"""
    )
    assert "target current" in drawn["said"]
    assert "N m" in drawn["said"]
    assert drawn["high"] > 1.2, "the target lies in the drawing"


def test_a_target_alone_is_drawn_in_the_currents_place(visit: Open, odd: Archive) -> None:
    page = visit(odd).go("/replay?session=only-target")
    page.wait_for_function(READY)
    shown = page.locator(".rp-panel").evaluate_all("(all) => all.map((p) => p.dataset.panel)")
    assert shown == ["angle", "rate", "current"]
    expect(page.locator("#rp-front")).to_contain_text("target current")


def test_a_hole_in_the_log_is_not_bridged(visit: Open, odd: Archive) -> None:
    """Between the two halves, five hours apart, nothing is drawn."""
    page = visit(odd).go("/replay?session=slow")
    page.wait_for_function(READY)
    page.wait_for_timeout(400)
    inked = page.evaluate(
        """() => { const panels = window.jointbook.replay.player.panels;
        const p = panels.panels.find((q) => q.key === 'current'), n = [];
        for (const t of [150, 9000, 18150]) {
          const at = Math.round(panels.x(t)) - 1;
          const box = p.canvas.getContext('2d').getImageData(at, 3, 3, p.height - 8);
          let count = 0;
          for (let i = 0; i < box.data.length; i += 4)
            if (box.data[i + 3] > 100 && box.data[i + 2] - box.data[i] > 80) count += 1;
          n.push(count);
        } return n; }"""
    )
    assert inked[0] > 20
    assert inked[1] == 0
    assert inked[2] > 20


def test_a_session_that_is_not_there(visit: Open, odd: Archive) -> None:
    tab = visit(odd)
    page = tab.go("/replay?session=nobody")
    expect(page.get_by_role("main")).to_contain_text("There is no session “nobody”")
    page.go_back()


def test_loop_stays_between_the_cursors(visit: Open, odd: Archive) -> None:
    page = visit(odd).go("/replay?session=many&at=2031-07-01T00:00:05Z")
    page.wait_for_function(READY)
    page.keyboard.press("m")
    page.keyboard.press("Shift+ArrowRight")
    page.keyboard.press("o")
    page.locator("#rp-rate").select_option("5")
    page.keyboard.press("Space")
    seen = []
    for _ in range(12):
        page.wait_for_timeout(100)
        seen.append(page.evaluate("window.jointbook.replay.player.view.at"))
    assert 5 <= min(seen) <= max(seen) <= 6.01
    assert any(b < a for a, b in pairwise(seen)), "it went round"


def test_an_empty_archive_says_what_to_do(
    visit: Open, tmp_path_factory: pytest.TempPathFactory
) -> None:
    empty = open_archive(tmp_path_factory.mktemp("empty") / "archive", create=True)
    page = visit(empty).go("/replay")
    expect(page.locator("#page")).to_contain_text("jointbook demo")
