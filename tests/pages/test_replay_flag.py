"""The flag in the address rules joint, card and measure; one joint alone; pins; kept pictures."""

from __future__ import annotations

import colorsys
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from playwright.sync_api import expect

from dashboards import theme
from dashboards.figures.style import SYMBOLS
from replay.archive import Archive, open_archive
from tests.pages.conftest import flag_rows, heron_session
from tests.signals.makers import archive_of

SESSION = "20310401-heron"


@pytest.fixture(scope="module")
def crowded(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    """One session of two minutes; a long flag of J1 lies over a short one of J3."""
    archive = open_archive(tmp_path_factory.mktemp("crowded") / "archive", create=True)
    start = datetime(2031, 4, 1, 9, tzinfo=UTC)
    record = heron_session(archive, SESSION, start=start, seed=5, minutes=2.0)
    rows = flag_rows(SESSION, start, record.units["J3"])
    instant = rows.schema["start"]
    over = rows.head(1).with_columns(
        flag=pl.lit("f-0"),
        joint=pl.lit("J1"),
        kind=pl.lit("friction"),
        start=pl.lit(start).cast(instant),
        end=pl.lit(record.end).cast(instant),
    )
    archive.replace("flags", pl.concat([over, rows.head(1)]), session=[SESSION])
    return archive


def open_flag(crowded, visit, flag: str = "f-1", more: str = "&at=2031-04-01T09:00:42Z"):
    tab = visit(crowded)
    page = tab.go(f"/replay?session={SESSION}&flag={flag}{more}")
    page.locator("#rp-values tr").first.wait_for()
    return tab, page


def test_the_flag_of_the_address_rules_joint_card_and_measure(crowded, visit):
    tab, page = open_flag(crowded, visit)
    expect(page.locator("#rp-values tr.front")).to_contain_text("J3")
    expect(page.locator("#rp-flag")).to_contain_text("J3 · brake drag")
    page.keyboard.press("m")
    page.keyboard.press("Shift+ArrowRight")
    expect(page.locator("#rp-measure-head")).to_contain_text("J3, from the second cursor")
    expect(page.locator("#rp-flag")).to_contain_text("J3 · brake drag")  # J1's lies over it
    page.keyboard.press("k")
    expect(page.locator("#rp-measure-rows")).to_contain_text("J1 current")
    expect(page.locator("#rp-measure-rows")).to_contain_text("J7 current")
    assert tab.errors == []


def test_a_flag_alone_in_the_address_is_shown_with_its_surroundings(crowded, visit):
    _, page = open_flag(crowded, visit, more="")
    seen = page.evaluate(
        "() => { const v = window.jointbook.replay.player.view; return [v.from, v.at, v.to]; }"
    )
    assert seen == pytest.approx([34.0, 40.0, 52.0], abs=0.01)


def test_another_joint_by_hand_leaves_the_flag_behind(crowded, visit):
    _, page = open_flag(crowded, visit)
    page.keyboard.press("5")
    expect(page.locator("#rp-values tr.front")).to_contain_text("J5")
    page.wait_for_function("!location.search.includes('flag=') && location.search.includes('J5')")


def test_one_joint_alone_and_its_angle_since_an_instant(crowded, visit):
    tab, page = open_flag(crowded, visit)
    page.keyboard.press("s")
    expect(page.locator("#rp-values input:checked")).to_have_count(1)
    page.keyboard.press("a")
    page.wait_for_function("window.jointbook.replay.player.view.zero !== null")
    low, high = page.evaluate(
        """() => { const p = window.jointbook.replay.player; p.panels.draw();
        const a = p.panels.panels.find((q) => q.key === 'angle'); return [a.low, a.high]; }"""
    )
    assert low <= 0 <= high
    page.keyboard.press("s")
    expect(page.locator("#rp-values input:checked")).to_have_count(7)
    page.keyboard.press("a")
    page.wait_for_function("window.jointbook.replay.player.view.zero === null")
    assert tab.errors == []


def test_a_pin_at_the_cursor_shows_in_replay_event_and_picture(crowded, visit, tmp_path):
    tab, page = open_flag(crowded, visit)
    page.keyboard.press("i")
    page.keyboard.type("a click was heard")
    page.locator("#rp-pin #reviewer-name").fill("Ada Tester")
    page.locator("#rp-pin-add").click()
    page.wait_for_function("window.jointbook.replay.player.view.pins.length === 1")
    page.keyboard.press("m")
    page.keyboard.press("Shift+ArrowRight")
    page.wait_for_function("window.jointbook.replay.player.view.mark !== null")
    with page.expect_download() as kept:
        page.evaluate("document.getElementById('rp-svg-plots').click()")
    picture = Path(tmp_path / "plots.svg")
    kept.value.save_as(picture)
    text = picture.read_text()
    for word in (
        SESSION, "unit", "brake drag", "second cursor 2031-04-01 09:00:42.000 UTC",
        "commanded", ">Current<", ">A<", "⚲1", "a click was heard", '180mm"',
    ):  # fmt: skip
        assert word in text, word
    assert theme.LIGHT["sheet"] in text
    page = tab.go(f"/event?session={SESSION}&flag=f-1")
    expect(page.locator(".pins")).to_contain_text("a click was heard")
    assert tab.errors == []


def test_the_posture_has_axes_a_path_by_speed_and_turns(crowded, visit):
    tab, page = open_flag(crowded, visit, more="")
    page.wait_for_function("window.jointbook.replay.player.posture.fastest > 0")
    shown = page.evaluate(
        """() => { const p = window.jointbook.replay.player.posture;
        const length = Math.hypot(...p.axis(2, 40));
        const before = p.project([1, 2, 3], 400, 300); p.turn += 0.5; p.tilt += 0.2;
        const after = p.project([1, 2, 3], 400, 300);
        return { length, moved: Math.hypot(after[0] - before[0], after[1] - before[1]),
          classes: new Set(p.classes).size }; }"""
    )
    assert shown["length"] == pytest.approx(1.0, abs=1e-5)
    assert shown["moved"] > 1
    assert shown["classes"] > 1
    assert tab.errors == []


@pytest.fixture
def unrated(tmp_path: Path) -> Archive:
    """A session whose rates are in no log: they are computed from the angles."""
    t = np.arange(0, 60, 0.05)
    columns = {"J1.angle_deg": 5 * np.sin(t / 3), "J1.current_a": np.cos(t / 3)}
    return archive_of(tmp_path / "archive", {"main": columns}, {"main": t})


@pytest.mark.parametrize(
    ("never", "words"), [("window", "loading …"), ("derived", "being computed …")]
)
def test_what_is_on_its_way_is_not_called_nothing(unrated, visit, never, words):
    tab = visit(unrated)
    page = tab.page
    page.add_init_script(
        """window.said = []; const old = CanvasRenderingContext2D.prototype.fillText;
        CanvasRenderingContext2D.prototype.fillText = function (t, ...r) {
          window.said.push(String(t)); return old.call(this, t, ...r); };"""
    )
    page.route(f"**/data/replay/*/{never}?*", lambda route: None)  # never answered
    tab.go("/replay?session=s")
    page.wait_for_function("words => window.said.includes(words)", arg=words)
    page.wait_for_timeout(500)
    assert not page.evaluate("window.said.includes('nothing in this window')")


def test_stepping_stops_at_the_samples_of_every_stream(crowded, visit):
    _, page = open_flag(crowded, visit)
    times = page.evaluate(
        """() => { const R = window.jointbook.replay, c = R.player.cache;
        const of = (...t) => ({ t: Float64Array.from(t) });
        c.exact = { groups: [of(0, 0.5, 1), of(0, 0.2, 0.4, 1)] };
        return [...c.instants()]; }"""
    )
    assert times == [0, 0.2, 0.4, 0.5, 1]


def test_a_joint_keeps_its_hue_and_mark_when_the_theme_turns():
    def hue(colour: str) -> float | None:
        r, g, b = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
        h, _, s = colorsys.rgb_to_hls(r, g, b)
        return 360 * h if s > 0.4 else None

    for index in range(7):
        light, dark = (hue(theme.joint_colour(index, dark=d)) for d in (False, True))
        if light is None or dark is None:
            continue
        assert abs(light - dark) < 12, index
    assert len({theme.joint_colour(i, dark=True) for i in range(7)}) == 7
    plotly = {"triangle": "triangle-up", "wedge": "triangle-down", "ring": "circle-open"}
    assert [plotly.get(m, m) for m in theme.MARKS] == list(SYMBOLS)


def test_what_was_just_said_leaves_room_for_what_the_arm_does(crowded, visit):
    tab = visit(crowded, width=1280, height=800)
    page = tab.go(f"/replay?session={SESSION}&flag=f-1&at=2031-04-01T09:00:42Z")
    words = page.locator("#rp-words")
    expect(words).to_contain_text("base A")
    page.keyboard.press("a")
    expect(page.locator("#rp-said")).to_contain_text("since this instant")
    clipped = "(e) => e.clientWidth === 0 || e.scrollWidth > e.clientWidth"
    assert not any(page.locator(f"#rp-{which}").evaluate(clipped) for which in ("words", "said"))
    expect(page.locator("#rp-said")).to_be_empty(timeout=15_000)  # else it spoke of another cursor
    assert tab.errors == []


def test_measure_all_turns_back_where_one_joint_is_shown(crowded, visit):
    _, page = open_flag(crowded, visit)
    head = page.locator("#rp-measure-head")
    page.keyboard.press("s")
    page.keyboard.press("m")
    page.keyboard.press("Shift+ArrowRight")
    expect(head).to_contain_text("J3, from")
    page.keyboard.press("k")
    expect(head).to_contain_text("Joints shown, from")
    page.keyboard.press("k")
    expect(head).to_contain_text("J3, from")


def test_the_form_of_a_pin_names_the_instant_it_would_go_to_and_closes(crowded, visit):
    _, page = open_flag(crowded, visit)
    head = page.locator("#rp-pin-head")
    page.keyboard.press("i")
    expect(head).to_have_text("Pin at 09:00:42.000, J3")
    page.locator("#rp-forth-s").click()
    expect(head).to_have_text("Pin at 09:00:43.000, J3")
    page.locator("#rp-pin-text").press("Escape")
    expect(page.locator("#rp-pin")).to_be_hidden()
    page.keyboard.press("i")
    expect(page.locator("#rp-pin")).to_be_visible()


def test_a_kept_picture_says_its_marks_and_no_line_that_is_not_drawn(crowded, visit, tmp_path):
    _, page = open_flag(crowded, visit, more="")
    page.wait_for_function("window.jointbook.replay.player.posture.data")

    def kept(what: str) -> str:
        with page.expect_download() as got:
            page.evaluate(f"document.getElementById('rp-svg-{what}').click()")
        got.value.save_as(tmp_path / "kept.svg")
        return (tmp_path / "kept.svg").read_text()

    posture = kept("posture")
    assert all(f">J{k}</text>" in posture for k in range(1, 8))
    assert ">expected</text>" not in kept("plots")  # there is no baseline
    page.evaluate("window.jointbook.replay.player.config.baseline = 'b1'")
    assert ">expected</text>" in kept("plots")
