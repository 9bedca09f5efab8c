"""Every key of the help list, pressed; and what follows the cursor beside the plots."""

from __future__ import annotations

import re
from collections.abc import Callable

import polars as pl
import pytest
from playwright.sync_api import Page, expect

from dashboards.components.keymap import KEYS
from replay.archive import Archive
from tests.pages.test_replay import AT, SESSION, Open, opened, still

PLAYER = "window.jointbook.replay.player"
WINDOW = f"[{PLAYER}.view.from, {PLAYER}.view.to]"
FLAGS_AT = (40.0, 90.0, 150.0)


def at(page: Page) -> float:
    return float(page.evaluate(AT))


def window(page: Page) -> tuple[float, float]:
    low, high = page.evaluate(WINDOW)
    return float(low), float(high)


def width(page: Page) -> float:
    low, high = window(page)
    return high - low


def play(page: Page) -> None:
    """Space: the button turns, time runs; once more, it stands."""
    before = at(page)
    page.keyboard.press("Space")
    page.wait_for_function(f"() => {AT} > {before} + 0.2")
    page.keyboard.press("Space")
    stood = at(page)
    page.wait_for_timeout(250)
    assert at(page) == stood


def samples(page: Page) -> None:
    before = at(page)
    page.keyboard.press("ArrowRight")
    assert at(page) - before == pytest.approx(0.05, abs=0.03)  # 20 samples a second
    page.keyboard.press("ArrowLeft")
    assert at(page) == pytest.approx(before, abs=0.03)


def seconds(page: Page) -> None:
    before = at(page)
    page.keyboard.press("Shift+ArrowRight")
    assert at(page) - before == pytest.approx(1.0, abs=0.03)
    page.keyboard.press("Shift+ArrowLeft")
    assert at(page) == pytest.approx(before, abs=0.03)


def rates(page: Page) -> None:
    rate = page.locator("#rp-rate")
    before = float(rate.input_value())
    page.keyboard.press("r")
    faster = float(rate.input_value())
    assert faster > before
    page.keyboard.press("e")
    page.keyboard.press("e")
    assert float(rate.input_value()) < before


def backwards(page: Page) -> None:
    page.keyboard.press("b")
    expect(page.locator("#rp-way")).to_have_text("Backwards")
    before = at(page)
    page.keyboard.press("Space")
    page.wait_for_function(f"() => {AT} < {before} - 0.2")
    page.keyboard.press("Space")
    page.keyboard.press("b")
    expect(page.locator("#rp-way")).to_have_text("Forwards")


def flags(page: Page) -> None:
    page.keyboard.press("n")
    first = at(page)
    assert min(abs(first - f) for f in FLAGS_AT) < 0.1
    page.keyboard.press("n")
    assert at(page) > first
    page.keyboard.press("p")
    assert at(page) == pytest.approx(first, abs=0.1)


def to_flag(page: Page) -> None:
    page.evaluate(f"{PLAYER}.setWindow(0, 240); {PLAYER}.setCursor(92)")  # within the second flag
    page.keyboard.press("z")
    page.wait_for_function(f"() => {PLAYER}.view.to - {PLAYER}.view.from < 120")
    low, high = window(page)
    assert low < 90 < 100 < high


def nearer(page: Page) -> None:
    before = width(page)
    page.keyboard.press("+")
    assert width(page) < before
    page.keyboard.press("-")
    page.keyboard.press("-")
    assert width(page) > before


def shifted(page: Page) -> None:
    low, _ = window(page)
    page.keyboard.press("PageDown")
    assert window(page)[0] > low
    page.keyboard.press("PageUp")
    assert window(page)[0] == pytest.approx(low, abs=0.5)


def whole(page: Page) -> None:
    page.keyboard.press("0")
    low, high = window(page)
    assert low == 0
    assert high == pytest.approx(240, abs=1)


def second_cursor(page: Page) -> None:
    second = page.locator(".rp-cursor.second")
    page.keyboard.press("m")
    expect(second).to_be_visible()
    page.keyboard.press("Shift+ArrowRight")
    expect(page.locator("#rp-measure")).to_be_visible()
    page.keyboard.press("m")
    expect(page.locator("#rp-measure")).to_be_hidden()


def looped(page: Page) -> None:
    loop = page.locator("#rp-loop")
    page.keyboard.press("o")
    expect(loop).to_have_attribute("aria-pressed", "true")
    page.keyboard.press("o")
    expect(loop).to_have_attribute("aria-pressed", "false")


def in_front(page: Page) -> None:
    for n in range(1, 8):
        page.keyboard.press(str(n))
        expect(page.locator("#rp-front")).to_contain_text(re.compile(f"^J{n}"))


def help_list(page: Page) -> None:
    page.keyboard.press("?")
    expect(page.locator("#help")).to_be_visible()
    page.keyboard.press("?")
    expect(page.locator("#help")).to_be_hidden()


def theme(page: Page) -> None:
    page.keyboard.press("t")
    assert page.evaluate("document.documentElement.dataset.theme") == "dark"
    page.keyboard.press("t")
    assert page.evaluate("document.documentElement.dataset.theme") == "light"


def closed(page: Page) -> None:
    page.keyboard.press("?")
    expect(page.locator("#help")).to_be_visible()
    page.keyboard.press("Escape")
    expect(page.locator("#help")).to_be_hidden()


def elsewhere(page: Page) -> None:
    """Keys of the queue and the sign-off, pressed in `test_queue`: here they change nothing."""
    before = page.url
    for key in ("v", "g", "Control+Enter"):
        page.keyboard.press(key)
    assert page.url == before


def alone(page: Page) -> None:
    page.keyboard.press("s")
    expect(page.locator("#rp-values input:checked")).to_have_count(1)
    page.keyboard.press("s")
    expect(page.locator("#rp-values input:checked")).to_have_count(7)


def since(page: Page) -> None:
    page.keyboard.press("a")
    page.wait_for_function(f"{PLAYER}.view.zero !== null")
    page.keyboard.press("a")
    page.wait_for_function(f"{PLAYER}.view.zero === null")


def pin(page: Page) -> None:
    page.keyboard.press("i")
    expect(page.locator("#rp-pin-text")).to_be_focused()
    page.evaluate("document.activeElement.blur(); document.getElementById('rp-pin').hidden = true")


def measured(page: Page) -> None:
    page.keyboard.press("k")
    page.wait_for_function(f"{PLAYER}.view.measureAll")
    page.keyboard.press("k")


def stepped_through(page: Page) -> None:
    other = page.context.new_page()
    other.goto(re.sub(r"/replay.*", f"/event?session={SESSION}&flag=f-1", page.url))
    other.get_by_role("link", name="Step through it in the replay").wait_for()
    other.keyboard.press("r")
    other.wait_for_url("**/replay?*")
    other.close()


def row_opened(page: Page) -> None:
    other = page.context.new_page()
    other.goto(re.sub(r"/replay.*", "/library", page.url))
    other.locator('.ag-row .ag-cell[col-id="start"]').first.click()
    other.keyboard.press("Enter")
    other.wait_for_url("**/replay?session=*")
    other.close()


PRESSED: dict[str, Callable[[Page], None]] = {
    "Space": play,
    "← →": samples,
    "Shift ← →": seconds,
    "E  R": rates,
    "B": backwards,
    "N  P": flags,
    "Z": to_flag,
    "+ −": nearer,
    "Page ↑ ↓": shifted,
    "0": whole,
    "M": second_cursor,
    "O": looped,
    "S": alone,
    "A": since,
    "I": pin,
    "K": measured,
    "1 … 7": in_front,
    "E": elsewhere,
    "V": elsewhere,
    "G": elsewhere,
    "Ctrl Enter": elsewhere,
    "R": stepped_through,
    "Enter": row_opened,
    "?": help_list,
    "T": theme,
    "Esc": closed,
}


def test_every_key_of_the_help_list_does_what_it_says(visit: Open, heron: Archive) -> None:
    assert list(PRESSED) == list(dict.fromkeys(key for key, _, _ in KEYS))
    tab = opened(visit, heron, "&from=2031-03-03T09:00:20Z&to=2031-03-03T09:01:20Z")
    for key, press in PRESSED.items():
        tab.page.evaluate(f"{PLAYER}.setWindow(20, 80); {PLAYER}.setCursor(30)")
        still(tab.page)
        try:
            press(tab.page)
        except Exception as error:
            raise AssertionError(f"{key}: {error}") from error
    assert tab.errors == []


# what follows the cursor --------------------------------------------------------

PAINTED = """([which, seconds]) => {
  const s = window.jointbook.replay.player, strokes = [];
  s.setCursor(seconds);
  const none = () => {};
  const renderer = new Proxy({ path: (xs, ys, n, colour, width) =>
      strokes.push({ width, xs: [...xs].slice(0, n), ys: [...ys].slice(0, n) }) },
    { get: (o, k) => o[k] || none });
  if (which === 'plane') s.plane.foreground(renderer); else s.posture.scene(renderer, 300, 300);
  return strokes; }"""


def test_the_trail_in_the_plane_ends_at_the_cursor(visit: Open, heron: Archive) -> None:
    page = opened(visit, heron, "&from=2031-03-03T09:00:30Z&to=2031-03-03T09:01:30Z&front=J3").page
    page.wait_for_function(f"() => {PLAYER}.plane.data && {PLAYER}.plane.x")
    logged = heron.samples(SESSION).collect()
    since = (pl.col("time") - logged["time"][0]).dt.total_microseconds() / 1e6
    ends = []
    for seconds_ in (45.0, 55.0, 80.0):
        page.evaluate(f"{PLAYER}.setCursor({seconds_})")
        still(page)
        (trail,) = page.evaluate(PAINTED, ["plane", seconds_])
        assert len(trail["xs"]) == 41
        near = logged.filter((since - seconds_).abs() < 0.16)  # a pixel of the window is 0.1 s
        for axis, column in (("x", "J3.rate_deg_s"), ("y", "J3.current_a")):
            put = [page.evaluate(f"{PLAYER}.plane.{axis}({v})") for v in near[column]]
            assert min(put) - 1.5 <= trail[f"{axis}s"][-1] <= max(put) + 1.5
        # six seconds of the past: its beginning is where the joint was then
        past = logged.filter((since - seconds_ + 6).abs() < 0.16)["J3.rate_deg_s"]
        put = [page.evaluate(f"{PLAYER}.plane.x({v})") for v in past]
        assert min(put) - 1.5 <= trail["xs"][0] <= max(put) + 1.5
        ends.append((trail["xs"][-1], trail["ys"][-1]))
    assert len(set(ends)) == 3


def test_the_tips_path_in_the_posture_leads_to_the_tip(visit: Open, heron: Archive) -> None:
    page = opened(visit, heron, "&from=2031-03-03T09:00:30Z&to=2031-03-03T09:01:30Z").page
    page.wait_for_function(f"() => {PLAYER}.posture.data")
    for seconds_ in (50.0, 75.0):
        *classes, recent, arm = page.evaluate(PAINTED, ["posture", seconds_])
        assert len(classes) > 1  # the whole path, a line for each class of speed
        drawn = [p for c in classes for p in zip(c["xs"], c["ys"], strict=True) if p[1] == p[1]]
        whole_ = {
            "xs": [x for x, y in drawn if y is not None],
            "ys": [y for _, y in drawn if y is not None],
        }
        tip = (arm["xs"][-1], arm["ys"][-1])
        assert len(arm["xs"]) == 9  # base, seven joints, tip
        assert (recent["xs"][-1], recent["ys"][-1]) == pytest.approx(tip, abs=0.01)
        assert len(whole_["xs"]) > len(recent["xs"]) > 5
        travelled = max(whole_["xs"]) - min(whole_["xs"]) + max(whole_["ys"]) - min(whole_["ys"])
        assert travelled > 5  # pixels: the arm moves in this window
