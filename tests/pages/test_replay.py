"""The replay in a real browser: real keys and clicks, and what the server is asked."""

from __future__ import annotations

import io
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import numpy as np
import polars as pl
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from dashboards.queries.session import sessions
from replay.archive import Archive, open_archive
from replay.units import TIME
from tests.pages.conftest import Visit

SESSION = "20310303-heron"
AT = "window.jointbook.replay.player.view.at"
STILL = """() => { const s = window.jointbook.replay.player;
  return s && s.cache.exact && !Object.keys(s.cache.waiting).length && s.cache.share >= 1; }"""

Open = Callable[..., Visit]


def opened(visit: Open, archive: Archive, query: str = "", **how: object) -> Visit:
    """Open the session at its start, unless the query says where; see the test of the worst."""
    if "at=" not in query and "from=" not in query:
        query += "&at=2031-03-03T09:00:00Z"
    tab = visit(archive, **how)
    tab.go(f"/replay?session={SESSION}{query}")
    still(tab.page)
    return tab


def still(page: Page) -> None:
    """Wait until the window has settled and every sample around the cursor is there."""
    page.wait_for_function(STILL, timeout=45_000)
    page.wait_for_timeout(150)
    page.wait_for_function(STILL, timeout=45_000)


def value(page: Page, joint: str, quantity: str) -> str:
    cell = page.locator(f"#rp-values td[data-joint={joint}][data-q={quantity}]")
    return cell.inner_text().replace("−", "-")


def cursor_x(page: Page) -> float:
    box = page.locator(".rp-cursor:not(.second)").bounding_box()
    assert box is not None
    return box["x"]


def test_play_moves_the_cursor_and_the_values_without_asking_the_server_for_frames(
    visit: Open, heron: Archive
) -> None:
    tab = opened(visit, heron, "&from=2031-03-03T09:00:30Z&to=2031-03-03T09:01:30Z&front=J3")
    page = tab.page
    page.evaluate("window.jointbook.replay.player.setCursor(32)")
    still(page)
    before_x, before = cursor_x(page), {value(page, f"J{n}", "current_a") for n in range(1, 8)}
    frames = page.evaluate("window.jointbook.replay.player.frames")
    asked = len(tab.requests)
    page.keyboard.press("Space")
    page.wait_for_timeout(2500)
    page.keyboard.press("Space")
    moved = page.evaluate(AT)
    frames = page.evaluate("window.jointbook.replay.player.frames") - frames
    asked = len(tab.requests) - asked
    assert 32.8 < moved < 37.0
    assert cursor_x(page) > before_x + 5
    assert {value(page, f"J{n}", "current_a") for n in range(1, 8)} != before
    assert frames > 20
    assert asked <= 3, tab.requests[-asked:]
    assert tab.errors == []


def test_pause_stops_time_and_backwards_turns_it(visit: Open, heron: Archive) -> None:
    page = opened(visit, heron, "&at=2031-03-03T09:01:00Z").page
    page.get_by_role("button", name="Forwards").click()
    page.get_by_role("button", name="Play", exact=True).click()
    page.wait_for_timeout(900)
    page.get_by_role("button", name="Pause").click()
    at = page.evaluate(AT)
    assert 57 < at < 60
    page.wait_for_timeout(300)
    assert page.evaluate(AT) == at


def test_step_shows_the_exact_samples_of_the_log(visit: Open, heron: Archive) -> None:
    """Every step lands on a logged instant and shows the values logged there."""
    samples = heron.samples(SESSION).collect()
    t_s = (samples[TIME].dt.epoch("ns") - samples[TIME].dt.epoch("ns")[0]).to_numpy() / 1e9
    page = opened(visit, heron, "&at=2031-03-03T09:00:52Z").page
    for key, way in (("ArrowRight", 1), ("ArrowRight", 1), ("ArrowLeft", -1)):
        before = page.evaluate(AT)
        page.keyboard.press(key)
        page.wait_for_function(f"{AT} !== {before}")
        page.wait_for_timeout(80)
        at = page.evaluate(AT)
        row = int(np.abs(t_s - at).argmin())
        assert at == pytest.approx(t_s[row], abs=1e-6)
        later = t_s[t_s > before + 1e-7][0] if way > 0 else t_s[t_s < before - 1e-7][-1]
        assert at == pytest.approx(later, abs=1e-6)
        for joint in ("J1", "J4", "J7"):
            for quantity in ("angle_deg", "rate_deg_s", "current_a"):
                logged = float(samples[f"{joint}.{quantity}"][row])
                assert float(value(page, joint, quantity)) == pytest.approx(logged, abs=5.1e-4)


def test_one_second_keys(visit: Open, heron: Archive) -> None:
    page = opened(visit, heron, "&at=2031-03-03T09:01:00Z").page
    at = page.evaluate(AT)
    page.keyboard.press("Shift+ArrowRight")
    assert page.evaluate(AT) == pytest.approx(at + 1)
    page.keyboard.press("Shift+ArrowLeft")
    page.keyboard.press("Shift+ArrowLeft")
    assert page.evaluate(AT) == pytest.approx(at - 1)


def test_a_session_opens_at_its_worst_finding_with_that_joint_in_front(
    visit: Open, heron: Archive, tmp_path: Path
) -> None:
    # what is open changes with verdicts, which other tests give in the common archive
    nobody = shutil.ignore_patterns("record")
    own = open_archive(shutil.copytree(str(heron.root), tmp_path / "own", ignore=nobody))
    page = visit(own).go(f"/replay?session={SESSION}")
    still(page)
    assert page.evaluate(AT) == pytest.approx(40.0, abs=0.06)
    front = "window.jointbook.replay.player.view.frontJoint().name"
    assert page.evaluate(front) == "J3"


def test_next_flag_goes_there_and_says_why(visit: Open, heron: Archive) -> None:
    tab = opened(visit, heron)
    page = tab.page
    page.keyboard.press("n")
    assert page.evaluate(AT) == pytest.approx(40.0, abs=0.06)
    card = page.locator("#rp-flag")
    expect(card).to_contain_text("brake drag")
    expect(card).to_contain_text("<b>for</b>")
    assert card.locator("b").count() == 0
    page.keyboard.press("n")
    expect(card).to_contain_text("stick-slip")
    page.keyboard.press("n")
    page.keyboard.press("n")
    expect(page.locator("#rp-said")).to_contain_text("No later flag")
    page.keyboard.press("p")
    assert page.evaluate(AT) == pytest.approx(90.0, abs=0.06)
    page.keyboard.press("z")
    view = page.evaluate(
        "[window.jointbook.replay.player.view.from, window.jointbook.replay.player.view.to]"
    )
    assert 75 < view[0] < 90
    assert 100 < view[1] < 115
    page.wait_for_function("location.search.includes('flag=f-2')")
    assert tab.errors == []


def test_the_address_opens_the_same_view_for_a_colleague(visit: Open, heron: Archive) -> None:
    page = opened(visit, heron).page
    for key in ("n", "3", "m", "ArrowRight"):
        page.keyboard.press(key)
        page.wait_for_timeout(60)
    page.get_by_label("Show J6").uncheck()
    still(page)
    page.wait_for_function("!location.search.includes('J6')")
    state = """() => { const v = window.jointbook.replay.player.view;
        return [v.from, v.to, v.at, v.mark, v.front, [...v.shown].sort().join()]; }"""
    mine, address = page.evaluate(state), page.url
    other = visit(heron)
    other.page.goto(address)
    still(other.page)
    theirs = other.page.evaluate(state)
    assert theirs[:4] == pytest.approx(mine[:4], abs=2e-6)
    assert theirs[4:] == mine[4:]
    assert "J6" not in parse_qs(urlsplit(address).query)["joints"][0]


def test_zoom_by_dragging_over_the_plots(visit: Open, heron: Archive) -> None:
    page = opened(visit, heron).page
    box = page.locator(".rp-panel[data-panel=current] canvas").bounding_box()
    assert box is not None
    gutter, width = page.evaluate(
        "[window.jointbook.replay.GUTTER, window.jointbook.replay.player.panels.plot]"
    )
    left, y = box["x"] + gutter, box["y"] + 40
    page.mouse.move(left + width * 0.25, y)
    page.mouse.down()
    page.mouse.move(left + width * 0.4, y, steps=4)
    page.mouse.move(left + width * 0.5, y, steps=4)
    page.mouse.up()
    low, high = page.evaluate(
        "[window.jointbook.replay.player.view.from, window.jointbook.replay.player.view.to]"
    )
    assert low == pytest.approx(60, abs=2)
    assert high == pytest.approx(120, abs=2)
    page.keyboard.press("0")
    assert page.evaluate("window.jointbook.replay.player.view.from") == 0


def test_measure_between_two_cursors(visit: Open, heron: Archive, tmp_path: Path) -> None:
    """Against the same figures worked out from the samples by numpy."""
    page = opened(visit, heron, "&at=2031-03-03T09:00:50Z&front=J2").page
    page.keyboard.press("m")
    for _ in range(8):
        page.keyboard.press("Shift+ArrowRight")
    still(page)
    row = page.locator("#rp-measure-rows tr", has_text="current")
    shown = [float(t.replace("−", "-")) for t in row.locator("td").all_inner_texts()]
    low, high = page.evaluate(
        "[window.jointbook.replay.player.view.mark, window.jointbook.replay.player.view.at]"
    )
    samples = heron.samples(SESSION, channels=["J2.current_a"]).collect()
    t = (samples[TIME].dt.epoch("ns") - samples[TIME].dt.epoch("ns")[0]).to_numpy() / 1e9
    v = samples["J2.current_a"].to_numpy().astype(float)
    inside = (t >= low - 1e-6) & (t <= high + 1e-6)
    t, v = t[inside], v[inside]
    wanted = [v[-1] - v[0], np.polyfit(t - t[0], v, 1)[0], v.mean(), np.trapezoid(v, t)]
    assert shown == pytest.approx(wanted, abs=6e-4)
    for form, read in (("csv", pl.read_csv), ("parquet", pl.read_parquet)):
        with page.expect_download() as waiting:
            page.locator(f"#rp-{form}-measure").click()
        waiting.value.save_as(tmp_path / form)
        kept = read(tmp_path / form).filter(quantity="current_a").row(0, named=True)
        assert [kept[k] for k in ("difference", "slope", "mean", "integral")] == pytest.approx(
            wanted, abs=1e-5
        )
        assert kept["joint"] == "J2"
        assert (kept["from_s"], kept["to_s"]) == pytest.approx((low, high))


def test_keep_the_span_and_the_plots(visit: Open, heron: Archive, tmp_path: Path) -> None:
    page = opened(visit, heron, "&from=2031-03-03T09:00:50Z&to=2031-03-03T09:01:00Z").page
    page.get_by_text("Keep", exact=True).click()
    kept: dict[str, bytes] = {}
    for name in ("rp-csv", "rp-parquet", "rp-svg-plots", "rp-png-plots", "rp-svg-posture"):
        with page.expect_download() as waiting:
            page.locator(f"#{name}").click()
        waiting.value.save_as(tmp_path / name)
        kept[name] = (tmp_path / name).read_bytes()
    logged = heron.samples(SESSION).collect()
    zero = logged[TIME][0]
    since = (pl.col(TIME) - zero).dt.total_microseconds() / 1e6
    inside = logged.filter(since >= 50, since < 60)
    table = pl.read_parquet(io.BytesIO(kept["rp-parquet"]))
    assert abs(table.height - inside.height) <= 1
    assert table["J3.current_a"].to_list() == inside["J3.current_a"].to_list()[: table.height]
    text = pl.read_csv(io.BytesIO(kept["rp-csv"]))
    assert text.height == table.height
    assert kept["rp-svg-plots"].startswith(b"<svg")
    assert len(re.findall(rb"<path", kept["rp-svg-plots"])) > 20
    assert b"<path" in kept["rp-svg-posture"]
    assert kept["rp-png-plots"].startswith(b"\x89PNG")


def test_help_theme_and_switching_single_keys_off(visit: Open, heron: Archive) -> None:
    page = opened(visit, heron).page
    page.keyboard.press("?")
    expect(page.get_by_role("dialog", name="Keys")).to_be_visible()
    page.get_by_role("button", name="Single keys act").click()
    page.keyboard.press("Escape")
    expect(page.locator("#help")).to_be_hidden()
    page.keyboard.press("t")
    assert page.evaluate("document.documentElement.dataset.theme") is None
    page.get_by_role("button", name="Light/dark").click()
    assert page.evaluate("document.documentElement.dataset.theme") == "dark"


def test_nothing_comes_from_outside(visit: Open, heron: Archive) -> None:
    tab = opened(visit, heron)
    tab.page.keyboard.press("n")
    still(tab.page)
    outside = [u for u in tab.requests if not u.startswith((tab.base, "data:", "blob:"))]
    assert outside == []
    policy = tab.page.request.get(tab.base + "/").headers["content-security-policy"]
    assert "default-src 'self'" in policy


@pytest.mark.parametrize(("width", "height"), [(1280, 800), (1920, 1080)])
def test_fits_the_screen(visit: Open, heron: Archive, width: int, height: int) -> None:
    page = opened(visit, heron, width=width, height=height, dark=width > 1500).page
    size = "[document.documentElement.scrollWidth, document.documentElement.scrollHeight]"
    assert page.evaluate(size) == [width, height]
    table = page.locator(".rp-table").first.bounding_box()
    sheet = page.locator(".rp-values").bounding_box()
    assert table is not None
    assert sheet is not None
    assert table["x"] + table["width"] <= sheet["x"] + sheet["width"]


def test_the_menu_carries_the_view_along_and_brings_it_back(visit: Open, heron: Archive) -> None:
    page = opened(visit, heron).page
    page.keyboard.press("n")
    still(page)
    page.wait_for_function("location.search.includes('flag=f-1')")
    at = page.evaluate(AT)
    page.locator("a.thumb[data-page=wear]").click()
    page.wait_for_function("location.pathname === '/wear'")
    assert "session=" + SESSION in page.url
    page.wait_for_function("window.jointbook.replay.player === null")
    page.locator("a.thumb[data-page=replay]").click()
    still(page)
    assert page.evaluate(AT) == pytest.approx(at, abs=1e-6)
    page.go_back()
    page.wait_for_function("location.pathname === '/wear'")
    page.go_back()
    still(page)
    assert page.evaluate(AT) == pytest.approx(at, abs=1e-6)


def test_opening_the_event_of_a_flag(visit: Open, heron: Archive) -> None:
    page = opened(visit, heron).page
    page.keyboard.press("n")
    page.get_by_role("link", name="Open the event").click()
    page.wait_for_function("location.pathname === '/event'")
    assert parse_qs(urlsplit(page.url).query) == {"session": [SESSION], "flag": ["f-1"]}


def test_keyboard_alone_reaches_every_control(visit: Open, heron: Archive) -> None:
    """Tab goes through all buttons in the order they stand, and none is a trap."""
    page = opened(visit, heron).page
    page.locator("body").press("Tab")
    seen = []
    for _ in range(90):
        seen.append(
            page.evaluate(
                "(document.activeElement.id || document.activeElement.getAttribute('aria-label') "
                "|| document.activeElement.textContent || '').trim()"
            )
        )
        page.keyboard.press("Tab")
    wanted = ["rp-picker", "rp-flag-back", "rp-play", "rp-rate", "rp-loop", "rp-all", "rp-strip"]
    places = [seen.index(w) for w in wanted]
    assert places == sorted(places)
    for word in ("Angle", "Current", "Show J7", "J7", "rp-plane", "rp-posture"):
        assert word in seen
    page.locator("#rp-strip").focus()
    at = page.evaluate(AT)
    page.keyboard.press("Shift+ArrowRight")
    assert page.evaluate(AT) == pytest.approx(at + 1)


@pytest.mark.parametrize("dark", [False, True])
def test_accessible_by_the_rules_of_wcag(visit: Open, heron: Archive, dark: bool) -> None:
    """WCAG 2.2 A and AA as far as axe-core can tell, with every part of the page open."""
    page = opened(visit, heron, dark=dark).page
    page.keyboard.press("n")
    page.keyboard.press("m")
    page.keyboard.press("Shift+ArrowRight")
    still(page)
    rules = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
    options = {"runOnly": {"type": "tag", "values": rules}}

    def broken(part: str | None = None) -> list[tuple[str, str]]:
        found = Axe().run(page, context=part, options=options).response
        assert len(found["passes"]) > 3
        return [(v["id"], v["nodes"][0]["html"]) for v in found["violations"]]

    assert broken() == []
    page.get_by_text("Keep", exact=True).click()
    assert broken(".rp-keep") == []
    page.get_by_text("Keep", exact=True).click()
    page.locator("body").press("?")
    assert broken() == []


def test_an_older_session_is_chosen_by_its_month(
    visit: Open, heron: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    newest = heron.sessions().sort("start")["session"][-1]
    oldest = heron.sessions().sort("start")["session"][0]
    assert newest != oldest
    monkeypatch.setitem(sessions.listing.__kwdefaults__, "limit", 1)
    page = visit(heron).go(f"/replay?session={oldest}")
    page.wait_for_selector("#rp-values tr")
    groups = page.locator("#rp-picker optgroup")
    assert groups.count() == 2
    assert groups.nth(0).locator("option").all_inner_texts()[0].endswith(oldest)
    page.locator("#rp-picker").select_option(newest)
    page.wait_for_function(f"() => window.jointbook.replay.player?.config.session === '{newest}'")
    # the address follows the player, a moment later
    page.wait_for_function(f"() => location.search.includes('session={newest}')")
