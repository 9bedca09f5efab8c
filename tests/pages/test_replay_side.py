"""What stands beside the replay's plots, against the library's own figures; rates of play."""

from __future__ import annotations

import re

import polars as pl
import pytest
from playwright.sync_api import expect

from replay.archive import Archive
from replay.arm import load_arm, poses
from replay.models import load_baseline
from replay.signals import joint_table
from tests.pages.test_replay import AT, SESSION, Open, opened, still, value

MOMENT = "2031-03-03T09:01:50"


def test_expected_current_and_residual_at_the_cursor_are_the_baselines(
    visit: Open, heron: Archive
) -> None:
    table = joint_table(heron, SESSION, "J2")
    unit = heron.session(SESSION).units["J2"]
    rows = table.with_columns(load_baseline(heron).expected(table, unit)["expected_a"])
    steady = rows.filter((pl.col("motion") == "moving") & (pl.col("stage") == "steady"))
    row = steady.row(steady.height // 2, named=True)
    assert abs(row["expected_a"]) > 0.3
    moment = row["time"].strftime("%Y-%m-%dT%H:%M:%S.%f")
    page = opened(visit, heron, f"&at={moment}Z&front=J2").page
    # a window is computed by itself, and its noise is not the whole session's to the last digit
    shown = float(value(page, "J2", "expected_a"))
    assert shown == pytest.approx(row["expected_a"], abs=0.01)
    assert float(value(page, "J2", "current_a")) == pytest.approx(row["current_a"], abs=6e-4)
    left = float(value(page, "J2", "residual_a"))
    assert left == pytest.approx(row["current_a"] - shown, abs=5.6e-3)  # shown to 0.01 A


def test_at_rest_with_the_brake_released_no_residual_is_told(visit: Open, heron: Archive) -> None:
    table = joint_table(heron, SESSION, "J2")
    rest = table.filter((pl.col("motion") == "holding") & (pl.col("current_a").abs() > 0.3))
    row = rest.row(rest.height // 2, named=True)
    moment = row["time"].strftime("%Y-%m-%dT%H:%M:%S.%f")
    page = opened(visit, heron, f"&at={moment}Z&front=J2").page
    assert float(value(page, "J2", "current_a")) == pytest.approx(row["current_a"], abs=6e-4)
    # friction holds any current there: the middle of its band is no expectation
    assert value(page, "J2", "expected_a") == value(page, "J2", "residual_a") == "–"


PLANE = """() => { const R = jointbook.replay, r = new R.SvgRenderer(520, 384, "#ffffff");
  R.player.plane.picture(r, 520, 384);
  return [r.toString(), jointbook.theme.colour("band")]; }"""


def test_a_braked_joint_is_said_to_be_so_and_has_no_band(visit: Open, heron: Archive) -> None:
    table = joint_table(heron, SESSION, "J2")
    for engaged, word in ((True, "engaged"), (False, "released")):
        rows = table.filter(pl.col("brake_engaged") == engaged)
        moment = rows["time"][rows.height // 2].strftime("%Y-%m-%dT%H:%M:%S.%f")
        page = opened(visit, heron, f"&at={moment}Z&front=J2").page
        page.wait_for_function("() => jointbook.replay.player.plane.data?.groups.length === 2")
        still(page)
        brake = page.locator("#rp-values tr", has_text="J2").locator(".rp-brake")
        expect(brake).to_have_text(re.compile(word))
        picture, band = page.evaluate(PLANE)
        assert ("J2 braked at the cursor" in picture) is engaged
        assert (f'fill="{band}"' in picture) is not engaged
        note = [float(y) for y in re.findall(r'<text x="48" y="([\d.]+)"', picture)]
        grid = re.findall(r'<line x1="([\d.]+)" y1="([\d.]+)" x2="([\d.]+)" y2="([\d.]+)"', picture)
        upright = [float(top) for x1, top, x2, end in grid if x1 == x2 and float(end) > 300]
        assert len(upright) > 1
        # what is said stands above the plot: ten pixels high, it lay on the grid and its ticks
        assert all(y + 5 <= top for y in note for top in upright)
        assert bool(note) is engaged


def test_the_posture_is_seen_from_either_base(visit: Open, heron: Archive) -> None:
    page = opened(visit, heron, f"&at={MOMENT}Z").page
    at = page.evaluate(AT)
    record = heron.session(SESSION)
    arm = load_arm(record.arm_toml)
    tables = [joint_table(heron, SESSION, name) for name in arm.joint_names]
    angles = [t["angle_deg"][int((t["t_s"] - at).abs().arg_min() or 0)] for t in tables]
    seen = {}
    for _ in range(2):
        still(page)
        words = page.locator("#rp-tip").inner_text().replace("−", "-")
        seen[words[-1]] = [float(v) for v in re.findall(r"-?\d+\.\d+", words)]
        page.locator("#rp-base").click()
        expect(page.locator("#rp-tip")).not_to_have_text(words.replace("-", "−"))
    assert set(seen) == {"A", "B"}
    for base in ("A", "B"):
        assert seen[base] == pytest.approx(poses(arm, angles, base=base).tip_m[0], abs=0.02)


def test_every_rate_of_play_is_the_rate_that_it_says(visit: Open, heron: Archive) -> None:
    page = opened(visit, heron).page
    moved = {}
    for rate in ("0.1", "20"):
        page.locator("#rp-rate").select_option(rate)
        page.evaluate("window.jointbook.replay.player.setCursor(20)")
        moved[rate] = page.evaluate(
            """() => new Promise((done) => {
            document.getElementById('rp-play').click();
            const s = window.jointbook.replay.player;
            requestAnimationFrame(() => { const t0 = performance.now(), a = s.view.at;
              const look = (t) => { if (t - t0 < 1500) requestAnimationFrame(look);
                else { const r = (s.view.at - a) / ((t - t0) / 1000);
                  document.getElementById('rp-play').click(); done(r); } };
              requestAnimationFrame(look); }); })"""
        )
    assert moved["0.1"] == pytest.approx(0.1, rel=0.25)
    assert moved["20"] == pytest.approx(20, rel=0.25)
    offered = page.locator("#rp-rate option").evaluate_all("(all) => all.map((o) => +o.value)")
    assert (min(offered), max(offered)) == (0.1, 100)
