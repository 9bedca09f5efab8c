"""The wear page in a real browser."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from dashboards.queries import wear
from dashboards.shell import PLOTS
from replay.archive import open_archive
from replay.record import open_record
from replay.wear import add_maintenance, maintenance
from replay.wear.indicators import METHOD, SCHEMA
from tests.pages.conftest import flag_rows, heron_session

UNITS = ("TU-101", "TU-102", "TU-103")
NAMES = ("friction at usual rate", "margin left", "holding current")


def indicator_rows(session: str, start: datetime) -> pl.DataFrame:
    """Two years of three units; the first wears. All point at one real session."""
    rng = np.random.default_rng(3)
    rows = []
    for j, serial in enumerate(UNITS):
        for name in NAMES:
            level, unit = (50.0, "%") if name == "margin left" else (1.2, "A")
            for k in range(60):
                grown = (0.3 * k / 59) if j == 0 and name != "holding current" else 0.0
                sign = -1 if name == "margin left" else 1
                value = level * (1 + sign * grown + 0.01 * rng.normal())
                rows.append(
                    dict.fromkeys(SCHEMA)
                    | {
                        "session": session if k == 59 else f"past-{k:02d}",
                        "arm": "Heron",
                        "joint": f"J{j + 1}",
                        "serial": serial,
                        "indicator": name,
                        "unit": unit,
                        "value": value,
                        "se": 0.01 * level,
                        "n": 9,
                        "start": start - timedelta(days=12 * (59 - k)),
                        "at": start + timedelta(seconds=42),
                        "baseline": "",
                        "method": METHOD,
                        "reference_stage": 3,
                    }
                )
    return pl.DataFrame(rows, schema=SCHEMA)


@pytest.fixture(scope="module")
def worn(tmp_path_factory: pytest.TempPathFactory):
    archive = open_archive(tmp_path_factory.mktemp("worn") / "archive", create=True)
    start = datetime(2032, 12, 1, 9, tzinfo=UTC)
    record = heron_session(
        archive, "20321201-heron", start=start, seed=5, minutes=2.0, rate_hz=10.0,
        style="joint test",
    )  # fmt: skip
    archive.replace("indicators", indicator_rows(record.session, start), session=["x"])
    flags = flag_rows(record.session, record.start, "TU-103")
    archive.replace("flags", flags.with_columns(unit=pl.lit("TU-103")), session=[record.session])
    return archive


@pytest.fixture
def page(visit, worn):
    tab = visit(worn)
    tab.go("/wear")
    tab.page.wait_for_selector("#wear-history .scatterlayer", timeout=45_000)
    yield tab
    assert tab.errors == []
    assert all(url.startswith((tab.base, "data:", "blob:")) for url in tab.requests)


def test_the_worn_unit_stands_first_and_is_drawn(page):
    first = page.page.locator(".wear-fleet tbody tr").first
    assert "worsening" in first.inner_text()
    assert "TU-101" in first.inner_text()
    latest = page.page.locator(".wear-fleet td[data-head=latest]")
    assert latest.first.inner_text().startswith("margin left\n")  # a figure of what
    assert all(re.match(r"[a-z ]+\n", text) for text in latest.all_inner_texts() if text)
    assert page.page.locator("#wear-history-title").inner_text().startswith("margin left of TU-101")
    assert "falling" in page.page.locator("#wear-history-lead").inner_text()


def test_the_plots_program_comes_when_one_is_to_be_drawn(visit, worn):
    tab = visit(worn)
    page = tab.go("/library")
    expect(page.locator(".ag-row").first).to_be_visible()
    assert not [r for r in tab.requests if "/plotly" in r]
    page.locator("nav a", has_text="Wear").click()
    expect(page.locator(".main-svg").first).to_be_visible()
    assert [r.rpartition("/")[2] for r in tab.requests if "/plotly" in r] == [PLOTS]


def test_a_narrow_fleet_keeps_unit_and_attention_in_sight(visit, worn):
    tab = visit(worn, width=420)
    tab.go("/wear")
    rows = tab.page.locator(".wear-fleet tbody tr")
    rows.first.wait_for(timeout=45_000)
    inner, outer = tab.page.locator(".wear-scroll:has(.wear-fleet)").evaluate(
        "e => [e.scrollWidth, e.clientWidth]"
    )
    assert inner <= outer  # nothing of a row lies out of sight at the side
    first = rows.first.locator("td")
    attention, unit, why = (first.nth(n).bounding_box() for n in (0, 1, 4))
    assert attention["y"] == pytest.approx(unit["y"], abs=4)  # on one line, above the why
    assert why["y"] >= unit["y"] + unit["height"] - 1
    assert why["width"] > 300  # a sentence has the width to be read
    says = "e => getComputedStyle(e, '::before').content"
    assert "latest" in first.nth(5).evaluate(says)  # a figure says what it is
    # still a table to a screen reader, its heads too
    table = tab.page.locator(".wear-fleet[role=table]")
    assert table.get_by_role("columnheader").count() == 8
    assert table.get_by_role("row").nth(1).get_by_role("cell").count() >= 4


def test_open_findings_stand_beside_the_unit_and_lead_to_the_queue(page):
    row = page.page.locator(".wear-fleet tbody tr", has_text="TU-103")
    link = row.get_by_role("link", name="3, act")
    assert link.get_attribute("title").startswith("3 open findings, the gravest act: J")
    assert page.page.locator(".wear-fleet a.severity").count() == 1  # the others have none
    inner, outer = page.page.locator(".wear-scroll:has(.wear-fleet)").evaluate(
        "e => [e.scrollWidth, e.clientWidth]"
    )
    assert inner <= outer
    row.get_by_role("link", name="TU-103").click()
    head = page.page.locator(".wear-open")
    expect(head).to_contain_text("3 open findings, the gravest act: J")
    head.get_by_role("link").click()
    expect(page.page.locator("#queue-finding")).to_contain_text("J3 · brake drag", timeout=45_000)


def test_what_stands_below_the_fleet_is_whole_and_lines_are_printed(page):
    """A note below the table was cut through by its box; small lines were missing on paper."""
    shown = page.page.locator(".sheet:has(.wear-fleet)")
    assert shown.evaluate("e => e.scrollHeight - e.clientHeight") <= 1
    assert shown.evaluate("e => getComputedStyle(e).overflowY") == "visible"
    page.page.emulate_media(media="print")
    spark = page.page.locator(".wear-spark").first
    assert spark.evaluate("e => getComputedStyle(e).printColorAdjust") == "exact"
    assert page.page.locator(".wear-form").first.is_hidden()
    page.page.emulate_media(media="screen")


def test_the_projection_is_drawn_to_its_limit_with_its_fan(page):
    ask = """() => { const g = document.querySelector('#wear-history .js-plotly-plot');
      const of = (name) => g.data.find((t) => t.name === name);
      return {x: g._fullLayout.xaxis.range, y: g._fullLayout.yaxis.range,
              met: of('limit reached, 90 %'), fan: of('fan, 90 % of what fits')}; }"""
    shown = page.page.evaluate(ask)
    median = page.page.evaluate(
        """() => document.querySelector('#wear-history .js-plotly-plot').data
             .find((t) => t.name === 'median').x[0]"""
    )
    assert shown["x"][0] < median < shown["x"][1]
    assert shown["y"][0] <= shown["met"]["y"][0] <= shown["y"][1]
    assert max(shown["fan"]["x"]) >= median
    page.page.get_by_role("link", name="Sessions only").click()
    page.page.wait_for_selector("text=Up to the limit")
    assert page.page.evaluate(ask)["x"][1] < median


def test_there_is_a_small_picture_for_every_history(page):
    cells = page.page.locator(".wear-cell")
    assert cells.count() == len(UNITS) * len(NAMES)
    cells.filter(has_text="friction at usual rate of TU-103").click()
    page.page.wait_for_function(
        "document.querySelector('#wear-history-title')?.innerText.includes('TU-103')"
    )
    assert "serial=TU-103" in page.page.url
    assert "steady" in page.page.locator("#wear-history-lead").inner_text()


def test_a_point_leads_to_its_session_at_its_instant(page):
    page.page.get_by_role("link", name="Sessions only").click()
    page.page.wait_for_selector("text=Up to the limit")
    page.page.evaluate("document.querySelector('#wear-history').scrollIntoView({block: 'center'})")
    page.page.wait_for_timeout(500)
    box = page.page.evaluate(
        """() => { const points = [...document.querySelectorAll(
             '#wear-history .scatterlayer .trace .points path.point')];
           const edge = document.querySelector('#wear-history .nsewdrag').getBoundingClientRect();
           const all = points.map(p => p.getBoundingClientRect()).filter(p => p.x < edge.right);
           const last = all.reduce((a, b) => (b.x > a.x ? b : a));
           return [last.x + last.width / 2, last.y + last.height / 2]; }"""
    )
    page.page.mouse.move(box[0] - 30, box[1] - 20)
    page.page.mouse.move(*box, steps=5)
    page.page.wait_for_timeout(300)
    page.page.mouse.click(*box)
    page.page.wait_for_selector("#rp-values tr", timeout=45_000)
    assert "/replay?" in page.page.url
    assert "session=20321201-heron" in page.page.url
    assert "at=2032-12-01T09:00:42" in page.page.url


def test_the_latest_sessions_are_links_for_the_keyboard(page):
    page.page.locator("summary", has_text="Latest sessions").press("Enter")
    link = page.page.locator(".wear details a").last
    assert "session=20321201-heron" in link.get_attribute("href")
    link.press("Enter")
    page.page.wait_for_selector("#rp-values tr")


def test_a_maintenance_note_is_recorded_here(page, worn):
    page.page.keyboard.press("i")
    expect(page.page.locator("#wear-note-date")).to_be_focused()
    page.page.fill("#wear-note-date", "2032-02-03")
    page.page.fill("#wear-note-detail", "new grease <b>kept as text</b>")
    page.page.click("#wear-note-save")
    page.page.wait_for_selector("#wear-note-said >> text=goes on record with a name")
    assert maintenance(worn).height == 0
    page.page.get_by_label("Your name").fill("R. Moss")
    page.page.click("#wear-note-save")
    page.page.wait_for_selector("#wear-note-said a")
    expect(page.page.locator("#wear-note-list")).to_contain_text("new grease <b>kept as text</b>")
    page.page.click("#wear-note-said a")
    page.page.wait_for_selector("text=2032-02-03: inspected, new grease <b>kept as text</b>")
    assert maintenance(worn)["serial"].to_list() == ["TU-101"]
    assert [e.who for e in open_record(worn).entries("maintenance")] == ["R. Moss"]
    page.page.fill("#wear-note-date", "yesterday")
    page.page.click("#wear-note-save")
    page.page.wait_for_selector("#wear-note-said >> text=not an ISO 8601 date")


BOXES = """() => ['#wear-history .annotation-text', '#wear-history .legend'].map((where) =>
  [...document.querySelectorAll(where)].map((e) => { const r = e.getBoundingClientRect();
    return [r.left, r.top, r.right, r.bottom]; }))"""


@pytest.mark.parametrize("width", [1280, 420])
def test_words_of_notes_stand_clear_of_each_other_and_of_the_legend(visit, tmp_path, width):
    archive = open_archive(tmp_path / "archive", create=True)
    archive.replace("indicators", indicator_rows("s", datetime(2032, 12, 1, 9)), session=["x"])
    for day in ("2031-01-02", "2032-01-10", "2032-01-12", "2032-01-20", "2032-11-30"):
        add_maintenance(archive, "TU-101", day, "inspected", by="R. Moss")
    tab = visit(archive, width=width)
    tab.go("/wear?serial=TU-101&indicator=holding current")
    tab.page.wait_for_selector("#wear-history .scatterlayer", timeout=45_000)
    words, legend = tab.page.evaluate(BOXES)
    assert len(words) == 5
    edge = tab.page.locator("#wear-history").bounding_box()
    for n, a in enumerate(words):
        assert edge["x"] <= a[0] < a[2] <= edge["x"] + edge["width"]
        for b in words[n + 1 :] + legend:
            apart = a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
            assert apart, (a, b)


MANY = """brake drag|brake engagement answer|brake engagement delay|brake holding slip
brake release answer|brake release delay|breakaway backward|breakaway forward|coulomb friction
coulomb friction backward|coulomb friction forward|direction asymmetry|friction at usual rate
holding current|margin left|residual spread|ripple at 40 per turn|stopping angle
viscous friction backward|viscous friction forward"""


def test_every_unit_and_indicator_fit_at_1280(visit, tmp_path):
    archive = open_archive(tmp_path / "archive", create=True)
    rows = indicator_rows("s", datetime(2032, 12, 1, 9))
    rows = rows.filter(pl.col("indicator") == "holding current", pl.col("session") > "past-47")
    names = MANY.replace("\n", "|").split("|")
    every = [rows.with_columns(indicator=pl.lit(name)) for name in names]
    archive.replace("indicators", pl.concat(every), session=["x"])
    tab = visit(archive)
    tab.go("/wear")
    heads = tab.page.locator(".wear-multiples thead th")
    expect(heads).to_have_count(1 + len(names), timeout=45_000)
    for table in (".wear-fleet", ".wear-multiples"):
        inner, outer, high, room = tab.page.locator(
            ".wear-scroll", has=tab.page.locator(table)
        ).evaluate("e => [e.scrollWidth, e.clientWidth, e.scrollHeight, e.clientHeight]")
        assert inner <= outer, table
        assert high <= room, table


def test_trends_and_points_are_saved_as_files(page):
    answer = page.page.request.get(page.base + "/data/wear/trends.parquet")
    table = pl.read_parquet(io.BytesIO(answer.body()))
    assert table.height == len(UNITS) * len(NAMES)
    address = "/data/wear/history.csv?serial=TU-101&indicator=margin+left"
    points = pl.read_csv(io.BytesIO(page.page.request.get(page.base + address).body()))
    assert points.height == 60
    unknown = page.page.request.get(page.base + "/data/wear/history.csv?serial=X&indicator=y")
    assert unknown.status == 404


@pytest.mark.parametrize("dark", [False, True])
def test_the_page_is_accessible(visit, worn, dark):
    tab = visit(worn, dark=dark)
    tab.go("/wear")
    tab.page.wait_for_selector("#wear-history .scatterlayer", timeout=45_000)
    options = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}
    found = Axe().run(tab.page, options=options)
    assert [v["id"] for v in found.response["violations"]] == []


def test_an_archive_without_measures_says_what_to_do(visit, heron):
    tab = visit(heron)
    tab.go("/wear")
    tab.page.wait_for_selector("text=No session has been measured for wear yet.")
    assert tab.page.locator("#wear-measure").is_enabled()


@pytest.mark.parametrize(
    ("link", "words"),
    [
        ("/wear?tide=high", "knows no “tide”"),
        ("/wear?unit=nosuch", "names a unit “nosuch”"),
        ("/wear?serial=nosuch", "names a unit “nosuch”"),
        ("/wear?serial=TU-101&indicator=tide", "There is no history of “tide”"),
        ("/wear?against=moon", "knows no against=moon; it knows time"),
        ("/compare?first=a", "knows no “first”"),
        ("/review?show=opne", "knows no show=opne; it knows all, open, decided"),
        ("/replay?at=noon", "at=noon is not an instant"),
        ("/replay?joints=J1,J99", "J99: no such joint"),
    ],
)
def test_a_link_that_asks_for_something_unknown_is_told(visit, worn, link, words):
    tab = visit(worn)
    tab.go(link)
    tab.page.wait_for_selector(f".page .message:has-text('{words}')")


def test_a_link_that_the_program_wrote_itself_is_not_questioned(visit, worn):
    tab = visit(worn)
    tab.go("/wear")
    tab.page.wait_for_selector("h1")
    for page in ("library", "replay", "event", "review", "compare", "baseline", "wear"):
        tab.page.click(f"a.thumb[data-page={page}]")
        tab.page.wait_for_selector(f"a.thumb[data-page={page}][aria-current=page]")
        tab.page.wait_for_selector("h1, .page .message")
        tab.page.wait_for_timeout(400)
        tab.page.reload()
        tab.page.wait_for_selector("h1, .page .message")
        assert "The link asks" not in tab.page.inner_text("#page")


def test_a_unit_that_nobody_knows_is_said_in_words(visit, worn):
    tab = visit(worn)
    tab.go("/wear?unit=TU-999")
    tab.page.wait_for_selector("#wear-history .scatterlayer", timeout=45_000)
    said = tab.page.locator(".wear .message").inner_text()
    assert "No measured session names a unit “TU-999”" in said
    assert "TU-101, TU-102, TU-103" in said
    tab.go("/wear?unit=TU-102")
    tab.page.wait_for_selector("#wear-history-title >> text=TU-102", timeout=45_000)
    assert tab.page.locator(".wear .message").count() == 0


def test_life_left_duty_and_what_was_not_measured_are_told(page):
    said = page.page.locator(".wear-sentence").inner_text()
    assert "it reaches its limit of" in said
    assert not page.page.locator(".wear-facts").evaluate("d => d.open")  # statistics fold away
    page.page.locator(".wear-facts summary").click()
    words = page.page.locator("#wear-history-words").inner_text()
    assert "remaining useful life" in words
    assert "with 90 % confidence" in words
    assert "laws averaged" in words
    assert "beyond its limit of 5 σ from" in words
    page.page.locator("summary", has_text="Not measured for this unit").click()
    page.page.wait_for_selector("text=backlash at reversals: needs reversals without a rest")


def test_a_history_is_saved_on_the_axis_that_is_shown(page):
    address = "/data/wear/history.csv?serial=TU-101&indicator=margin+left&against="
    on_time = page.page.request.get(page.base + address + "time")
    assert pl.read_csv(io.BytesIO(on_time.body()))["axis"].max() == pytest.approx(1.94, abs=0.01)
    assert page.page.request.get(page.base + address + "work").status == 404  # none was counted
    assert page.page.request.get(page.base + address + "tides").status == 404


def test_wear_against_use_reads_in_turns(visit, worn):
    travel = worn.table("indicators").filter(pl.col("indicator") == "margin left")
    rows = travel.with_columns(
        pl.lit("travel").alias("indicator"),
        pl.lit("deg").alias("unit"),
        pl.lit(720.0).alias("value"),
        pl.lit(1.0).alias("se"),
    )
    worn.append("indicators", rows.select(worn.table("indicators").columns))
    tab = visit(worn)
    tab.go("/wear?against=travel&unit=TU-101&indicator=margin+left")
    tab.page.wait_for_selector("#wear-history .scatterlayer", timeout=45_000)
    tab.page.locator(".wear-facts summary").click()
    words = tab.page.locator("#wear-history-words").inner_text()
    # 30 % of 50 % over 59 sessions of two turns each
    slope = float(re.search(r"slope per turn\s+−(\S+) points", words)[1])
    assert slope == pytest.approx(15 / 118, rel=0.1)
    assert "turns since installation" in words
    assert "use, turns" in tab.page.locator("#wear-history").inner_text()


def test_steady_is_not_said_beside_a_date_and_a_replaced_unit_is_told(worn):
    found = wear.history(worn, "TU-102", "margin left", "time")
    ahead = datetime(2034, 5, 1, tzinfo=UTC)
    detail = {"projection": {"word": "projected", "limit": 0.0, "date": ahead,
                             "date_low": None, "date_high": None}}  # fmt: skip
    trend = replace(found.trend, result="steady", detail=detail)
    said = wear.sentence(replace(found, trend=trend, notes=pl.DataFrame()))
    assert "holds steady" not in said
    assert "no trend beyond chance over 60 sessions" in said
    assert "it reaches its limit of 0 % about May 2034" in said
    assert "replaced" not in said
    gone = datetime(2033, 1, 14, tzinfo=UTC)
    notes = pl.DataFrame({"what": ["replaced"], "date": [gone]})
    assert "It was replaced on 2033-01-14" in wear.sentence(
        replace(found, trend=trend, notes=notes)
    )
    still = replace(trend, detail={"projection": None})
    assert "holds steady over 60 sessions" in wear.sentence(replace(found, trend=still))


def test_indicators_of_an_earlier_program_are_shown(tmp_path):
    archive = open_archive(tmp_path / "archive", create=True)
    rows = indicator_rows("20321201-heron", datetime(2032, 12, 1, 9, tzinfo=UTC))
    later = ["posture_told", "bracket_low", "bracket_high"]
    archive.replace("indicators", rows.drop(later), session=["x"])
    found = wear.history(archive, "TU-102", "margin left", "time")
    assert found.points.height == 60
