"""The event page in a real browser: every part of it, and its address."""

from __future__ import annotations

import io
import json
import re
import shutil
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from urllib.error import HTTPError
from urllib.parse import parse_qs, urlsplit
from urllib.request import urlopen

import polars as pl
import pytest
from playwright.sync_api import Locator, Page, Route, expect

from dashboards import ids
from dashboards.app import create_app
from dashboards.figures.story import current_scale
from dashboards.queries.event import argument, rebuilt
from dashboards.queries.event.argument import READ, of_evidence
from dashboards.queries.event.event_tables import TABLES
from dashboards.queries.event.events import downsampled, find_event, last_flagged
from dashboards.queries.event.evidence import evidence_words
from dashboards.queries.event.odds import weighed as causes_of
from dashboards.queries.event.rarity import rarity
from dashboards.queries.event.unflagged import larger_unflagged
from replay.archive import Archive, open_archive
from replay.checks import check
from replay.demo import FaultWish
from replay.models import load_baseline
from replay.records import FLAG_KINDS
from replay.reviews import pins
from replay.wording import kind_words
from tests.pages.conftest import Visit, flag_rows, heron_session

SESSION = "20310303-heron"
PARTS = ("likes", "scores", "others", "brakes", "sensors")
Open = Callable[..., Visit]


def opened(
    visit: Open,
    archive: Archive,
    query: str = "&flag=f-1",
    session: str = SESSION,
    folds: Sequence[str] = (),
    **how: object,
) -> Visit:
    """Open the page of an event, and of what is folded on it these parts: each costs its plots."""
    tab = visit(archive, **how)
    page = tab.go(f"/event?session={session}{query}")
    expect(page.locator("#event-story .main-svg").first).to_be_visible(timeout=45_000)
    for name in folds:
        page.locator(f"details:has(> summary #{name})").evaluate("(fold) => { fold.open = true; }")
    return tab


def data(page: Page, plot: str) -> list[dict]:
    """Name, first and last x, and length of every trace of a plot."""
    return page.evaluate(
        """(id) => document.querySelector("#" + id + " .js-plotly-plot")._fullData.map((t) => (
        { name: t.name, n: t.x.length, first: t.x[0], last: t.x[t.x.length - 1] }))""",
        plot,
    )


def outputs_asked(page: Page) -> list[str]:
    """Return a list that takes the outputs that the page asks the server for from now on."""
    asked: list[str] = []
    page.on(
        "request",
        lambda r: (
            asked.append((r.post_data_json or {}).get("output", ""))
            if "_dash-update-component" in r.url
            else None
        ),
    )
    return asked


@pytest.fixture(scope="module")
def read(lasting_visit: Open, heron: Archive) -> Visit:
    """The page of one flag, its folds open; tests that take it only read and save."""
    return opened(lasting_visit, heron, folds=PARTS)


def test_a_plot_that_is_not_there_yet_says_so_and_is_drawn_once(
    visit: Open, heron: Archive
) -> None:
    tab = visit(heron)
    page = tab.page
    held: list[Route] = []
    page.route("**/plotly-basic*", lambda route: held.append(route))
    asked = outputs_asked(page)
    tab.go(f"/event?session={SESSION}&flag=f-1")
    place = page.locator(".figure-card-figure").first
    expect(place).to_be_attached(timeout=45_000)
    before = "(e) => [getComputedStyle(e, '::before').content, e.offsetHeight]"
    said, height = place.evaluate(before)
    assert (said, height >= 402) == ('"Drawing…"', True)
    page.wait_for_timeout(500)
    for route in held:
        route.continue_()
    expect(page.locator("#event-story .main-svg").first).to_be_visible(timeout=45_000)
    assert place.evaluate(before)[0] == "none"
    page.wait_for_load_state("networkidle")
    assert asked.count("event-story.figure") == 0
    parts = [f"event-{n}.children" for n in (*PARTS, "rebuilt", "everywhere")]
    assert not set(parts) & set(asked)  # nothing of what is folded is computed
    assert page.locator(".js-plotly-plot").count() == 1
    for link in ("Brakes", "Score and what if"):
        page.get_by_role("link", name=link, exact=True).click()
    expect(page.locator("#event-scores-plot .main-svg").first).to_be_visible(timeout=45_000)
    expect(page.locator("#event-brakes .main-svg, #event-brakes table").first).to_be_visible()
    page.wait_for_load_state("networkidle")
    filled = [p for p in parts if p in asked]
    assert filled == [
        "event-scores.children", "event-brakes.children",
        "event-rebuilt.children", "event-everywhere.children",
    ]  # fmt: skip
    assert all(asked.count(p) == 1 for p in filled)
    fold = page.locator("details:has(#brakes) > summary")
    for _ in range(2):  # closed and opened again: it is there
        fold.click()
    page.wait_for_timeout(300)
    assert asked.count("event-brakes.children") == 1


def test_a_part_that_stands_open_is_filled_for_the_next_flag_too(
    visit: Open, heron: Archive
) -> None:
    tab = visit(heron)
    page = tab.page
    asked = outputs_asked(page)
    # opened by a script at once, while the page still arrives
    page.add_init_script(
        """new MutationObserver(() => document.querySelectorAll(".event-fold").forEach((f) => {
        if (f.open) return;
        f.open = true; f.dispatchEvent(new Event("toggle"));
        })).observe(document, { childList: true, subtree: true });"""
    )
    tab.go(f"/event?session={SESSION}&flag=f-1")
    for visits in (1, 2):
        for part in PARTS:
            expect(page.locator(f"#event-{part} > *").first).to_be_attached(timeout=45_000)
        page.wait_for_load_state("networkidle")
        assert {p: asked.count(f"event-{p}.children") for p in PARTS} == dict.fromkeys(
            PARTS, visits
        )
        before = page.locator("h1").inner_text()
        if visits == 1:
            page.get_by_role("link", name=re.compile("^(Next|Previous) flag$")).first.click()
            expect(page.locator("h1")).not_to_have_text(before)
            expect(page.locator("#event-others tbody tr").first).to_be_visible(timeout=45_000)


def test_the_story_shows_before_during_and_after(read: Visit) -> None:
    page = read.page
    expect(page.get_by_role("heading", level=1)).to_have_text("J3 · brake drag")
    expect(page.locator(".flag-summary")).to_contain_text("0.4 A more than expected <b>for</b>")
    expect(page.locator(".evidence")).to_contain_text("extra")
    traces = {t["name"]: t for t in data(page, "event-story")}
    current = traces["current"]
    assert current["first"] < -4  # seconds before the event starts
    assert current["last"] > 6 + 4  # and after it ends
    assert {"expected", "expected band", "commanded rate"} <= set(traces)
    expect(page.locator("#event-story")).to_contain_text("before")
    expect(page.locator(".caution")).to_contain_text("a reason to look, not a diagnosis")
    said = page.locator("body").inner_text().count("clears an arm")
    assert said == 1  # at the foot of every page, and nowhere else
    assert read.errors == []


def test_every_section_is_filled(read: Visit) -> None:
    page = read.page
    expect(page.locator("#event-likes .plain-table tbody tr").first).to_be_visible(timeout=45_000)
    expect(page.locator("#event-scores .fired")).to_contain_text(
        "Detector that flagged it", timeout=45_000
    )
    expect(page.locator("#event-others tbody tr")).to_have_count(7, timeout=45_000)
    expect(page.locator("#event-sensors tbody tr").first).to_contain_text("angle")
    expect(page.locator("#event-brakes")).to_contain_text(re.compile("ms|No brake changed"))
    assert read.errors == []


def looked_through(page: Page) -> Locator:
    """Return the similar motions once all sessions were looked through, by whichever test."""
    likes = page.locator("#event-likes")
    expect(likes).to_contain_text(re.compile(r"stretch(es)? in this direction"), timeout=45_000)
    # what is shown is hidden while it is asked for anew: its text, not what is seen of it
    if "not looked through yet" in (likes.text_content() or ""):
        page.get_by_role("button", name="Look through all sessions").click()
        expect(likes).not_to_contain_text("not looked through yet", timeout=45_000)
    return likes


def test_similar_motions_are_looked_for_in_all_sessions(visit: Open, heron: Archive) -> None:
    page = opened(visit, heron, "&flag=f-2", folds=["likes"]).page
    likes = looked_through(page)
    expect(likes).to_contain_text("in 3 sessions", timeout=45_000)
    page.wait_for_function("document.querySelector('#event-likes-plot .js-plotly-plot')")
    names = [t["name"] for t in data(page, "event-likes-plot")]
    assert "this motion" in names
    assert len(names) == 6  # five alike and the one in question
    starts = [t["first"] for t in data(page, "event-likes-plot")]
    assert all(-1.2 < s <= 0.5 for s in starts)  # one clock, zero at each onset
    # what is chosen goes into the address, and a link with it opens the same
    page.locator("#event-k").click()
    page.get_by_role("option", name="3", exact=True).click()
    page.wait_for_function("location.search.includes('k=3')")
    page.reload()
    fold = page.locator("details:has(#event-likes) > summary")
    expect(fold).to_be_visible(timeout=45_000)
    fold.click()  # a folded part is filled when it is opened
    expect(likes.locator("tbody tr")).to_have_count(4, timeout=45_000)


def test_where_no_motion_is_alike_that_is_said_and_none_is_drawn(
    visit: Open, heron: Archive
) -> None:
    page = opened(
        visit, heron, folds=["likes"]
    ).page  # at rest for 46 s: no session has a rest as long
    likes = looked_through(page)
    expect(page.locator("#event-apart")).to_contain_text("None is alike", timeout=45_000)
    expect(page.locator("#event-likes-plot")).to_have_count(0)
    rows = likes.locator("tbody tr")
    expect(rows.filter(has_text="not alike").first).to_be_visible()
    expect(likes.locator("th", has_text="Payload")).to_have_count(1)


def test_another_limit_changes_what_would_be_flagged(visit: Open, heron: Archive) -> None:
    page = opened(visit, heron, "&flag=f-3&rate=30", folds=["scores"]).page
    words = page.locator("#event-what-if")
    expect(words).to_contain_text("At 30 false flags per 100 joint-hours", timeout=45_000)
    expect(words).to_contain_text("would still be flagged")
    page.locator("#event-rate").click()
    page.get_by_role("option", name="0.01", exact=True).click()
    expect(words).to_contain_text("At 0.01 false flags", timeout=45_000)
    expect(words).to_contain_text("would not be flagged")
    page.wait_for_function("location.search.includes('rate=0.01')")


@pytest.fixture(scope="module")
def stalled(heron: Archive, tmp_path_factory: pytest.TempPathFactory) -> tuple[Archive, str]:
    """The arm once more, with a session of two faults, the second a small one; one of its flags."""
    folder = tmp_path_factory.mktemp("stalled") / "archive"
    shutil.copytree(str(heron.root), folder)
    archive = open_archive(folder)
    faults = (FaultWish("stall"), FaultWish("current-sensor", grade="subtle"))
    start = datetime(2031, 3, 4, 9, tzinfo=UTC)
    heron_session(archive, "stalled", start=start, seed=20, faults=faults)
    return archive, check(archive, "stalled").flags[0].flag


def test_another_limit_builds_the_sessions_events_anew(
    visit: Open, stalled: tuple[Archive, str]
) -> None:
    archive, flag = stalled
    stored = archive.table("flags")
    counts = {}
    for rate in (0.01, load_baseline(archive).asked, 30.0):
        base = replace(load_baseline(archive), asked=rate)
        flags = check(archive, "stalled", base, save=False).flags
        counts[rate] = sorted((f.joint, f.kind) for f in flags)
    learned = len(counts[load_baseline(archive).asked])
    assert len(counts[0.01]) < learned < len(counts[30.0])  # or the test shows nothing
    page = opened(visit, archive, f"&flag={flag}&rate=30", "stalled", ["scores"]).page
    words = page.locator("#event-rebuilt-words")
    expect(words).to_contain_text(f"{len(counts[30.0])} flag", timeout=45_000)
    rows = page.locator("#event-rebuilt tbody tr")
    here = rows.filter(has_not_text="only as learned").all()
    shown = sorted(tuple(r.locator("td").all_inner_texts()[:2]) for r in here)
    assert shown == sorted((joint, kind_words(kind)) for joint, kind in counts[30.0])
    assert rows.filter(has_text="only at this limit").count() == len(counts[30.0]) - learned
    everywhere = page.locator("#event-everywhere-words")
    expect(everywhere).to_contain_text("not counted yet")
    page.locator("#event-count").click()
    base = load_baseline(archive)
    lenient = replace(base, asked=30.0)
    count = sum(
        len(check(archive, name, lenient, save=False).flags)
        for name in archive.sessions()["session"]
    )
    expect(everywhere).to_contain_text(f"30 false flags per 100 joint-hours: {count} flag")
    new = page.locator("#event-everywhere tbody tr").filter(has_text="new")
    assert new.filter(has_text="stalled").count() == len(counts[30.0]) - learned
    page.locator("#event-rate").click()
    page.get_by_role("option", name="0.01", exact=True).click()
    expect(words).to_contain_text("Checked anew at 0.01", timeout=45_000)
    fewer = rows.filter(has_not_text="only as learned")
    assert fewer.count() == len(counts[0.01])
    assert rows.filter(has_text="only as learned").count() == learned - len(counts[0.01])
    assert archive.table("flags").equals(stored)


def test_what_concerns_every_joint_is_drawn_on_the_first(
    visit: Open, heron: Archive, tmp_path: Path
) -> None:
    root = tmp_path / "archive"
    shutil.copytree(str(heron.root), root)
    archive = open_archive(root)
    record = archive.session(SESSION)
    rows = flag_rows(SESSION, record.start, "").head(1)
    rows = rows.with_columns(joint=pl.lit(""), unit=pl.lit(""), kind=pl.lit("gap"))
    archive.replace("flags", rows, session=[SESSION])
    tab = opened(visit, archive)
    expect(tab.page.get_by_role("heading", level=1)).to_have_text("every joint · gap")
    expect(tab.page.get_by_text("drawn: J1")).to_be_visible()
    assert tab.errors == []
    review = tab.go(f"/review?session={SESSION}")
    expect(review.get_by_role("heading", name="every joint · gap")).to_be_visible(timeout=45_000)


def test_a_long_session_is_not_checked_while_someone_waits(
    heron: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rebuilt, "MOST_ROWS", 10)
    event = find_event(heron, SESSION, "f-1")
    said = rebuilt.rebuilt(heron, event, 30.0)
    assert isinstance(said, str)
    assert "not built anew here" in said


def test_a_pin_is_refused_drawn_kept_and_withdrawn(visit: Open, heron: Archive) -> None:
    page = opened(visit, heron, "&flag=f-2").page
    page.get_by_label("At, s after start").fill("1")
    page.locator("#event-pin-text").fill("who says so?")
    page.get_by_role("button", name="Pin the note").click()
    expect(page.locator("#event-pin-said")).to_contain_text("author's name")
    assert pins(heron, SESSION).height == 0
    page.get_by_label("Your name").fill("R. Moss")
    page.get_by_label("At, s after start").fill("2.5")
    page.get_by_label("Until (a span)").fill("4")
    page.locator("#event-pin-text").fill("squeal heard <u>here</u>")
    page.get_by_role("button", name="Pin the note").click()
    item = page.locator(".pins li")
    expect(item).to_contain_text("+2.500 to +4.000 s", timeout=45_000)
    expect(item).to_contain_text("squeal heard <u>here</u>")
    expect(page.locator("#event-story")).to_contain_text("⚲1")
    kept = pins(heron, SESSION).row(0, named=True)
    assert (kept["joint"], kept["author"]) == ("J5", "R. Moss")
    assert (kept["end"] - kept["start"]).total_seconds() == 1.5
    page.get_by_role("button", name="Withdraw pin 1").click()
    expect(page.locator("#event-pins")).to_contain_text("Nothing is pinned")
    assert pins(heron, SESSION).height == 0
    # an instant, where no end is given
    page.get_by_label("At, s after start").fill("1.25")
    page.get_by_label("Until (a span)").fill("")
    page.locator("#event-pin-text").fill("one knock")
    page.get_by_role("button", name="Pin the note").click()
    expect(item).to_contain_text("+1.250 s", timeout=45_000)
    kept = pins(heron, SESSION).row(0, named=True)
    assert kept["start"] == kept["end"]
    page.get_by_role("button", name="Withdraw pin 1").click()
    expect(page.locator("#event-pins")).to_contain_text("Nothing is pinned")


def test_zoom_goes_into_the_address_and_comes_back_from_it(visit: Open, heron: Archive) -> None:
    page = opened(visit, heron).page
    area = page.locator("#event-story .nsewdrag").nth(1)
    box = area.bounding_box()
    assert box is not None
    y = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + 0.4 * box["width"], y)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.6 * box["width"], y, steps=6)
    page.mouse.up()
    page.wait_for_function("location.search.includes('from=')")
    words = parse_qs(urlsplit(page.url).query)
    assert words["flag"] == ["f-1"]
    page.wait_for_load_state("networkidle")
    ranged = "document.querySelector('#event-story .js-plotly-plot')._fullLayout.xaxis.range"
    page.wait_for_function(f"(r => r[1] - r[0] < 6)({ranged})")
    seen = page.evaluate(ranged)
    assert seen[1] - seen[0] < 6
    page.reload()
    expect(page.locator("#event-story .main-svg").first).to_be_visible(timeout=45_000)
    again = {t["name"]: t for t in data(page, "event-story")}["current"]
    assert again["first"] == pytest.approx(seen[0], abs=0.2)
    assert again["last"] == pytest.approx(seen[1], abs=0.2)


def test_plots_are_saved_as_png_and_svg(read: Visit) -> None:
    page = read.page
    for form, sign in (("PNG", b"\x89PNG"), ("SVG", b"<svg")):
        with page.expect_download() as download:
            page.get_by_role("button", name=f"Save “Before, during, after” as {form}").click()
        body = Path(download.value.path()).read_bytes()
        assert body.startswith(sign)
        assert len(body) > 5000


def test_a_span_is_saved_sample_by_sample(read: Visit) -> None:
    page = read.page
    for form, read in (("CSV", pl.read_csv), ("Parquet", pl.read_parquet)):
        with page.expect_download() as download:
            page.get_by_role("link", name=f"Save every sample of this span as {form}").click()
        rows = read(io.BytesIO(Path(download.value.path()).read_bytes()))
        assert 300 < rows.height < 340  # 16 s at 20 Hz
        assert "current_a" in rows.columns


@pytest.mark.parametrize("what", list(TABLES))
def test_every_table_is_saved(serve: Callable[[Archive], str], heron: Archive, what: str) -> None:
    base = f"{serve(heron)}/data/event/table/{what}"
    words = f"session={SESSION}&flag=f-1"
    with urlopen(f"{base}.parquet?{words}") as answer:
        assert answer.status == 200
        rows = pl.read_parquet(io.BytesIO(answer.read()))
    assert rows.height > 0
    with urlopen(f"{base}.csv?{words}") as csv:
        assert pl.read_csv(io.BytesIO(csv.read())).height == rows.height
    with pytest.raises(HTTPError) as gone:
        urlopen(f"{base}.csv?session={SESSION}&flag=gone")
    assert gone.value.code == 404


def test_a_span_of_ones_own_is_an_event_too(visit: Open, heron: Archive) -> None:
    query = "&joints=J4&from=2031-03-03T09:01:00Z&to=2031-03-03T09:01:05Z"
    page = opened(visit, heron, query, folds=["others"]).page
    expect(page.get_by_role("heading", level=1)).to_have_text("J4 · span")
    expect(page.locator("#event-others tbody tr")).to_have_count(7, timeout=45_000)


def test_without_a_flag_the_page_lists_what_there_is(visit: Open, heron: Archive) -> None:
    page = visit(heron).go(f"/event?session={SESSION}")
    page.get_by_role("link", name=re.compile("J2 · unusual")).click()
    expect(page.get_by_role("heading", level=1)).to_have_text("J2 · unusual", timeout=45_000)
    page.get_by_role("link", name="Previous flag").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("J5 · stick-slip", timeout=45_000)
    page.keyboard.press("p")
    expect(page.get_by_role("heading", level=1)).to_have_text("J3 · brake drag", timeout=45_000)
    page.keyboard.press("n")
    expect(page.get_by_role("heading", level=1)).to_have_text("J5 · stick-slip", timeout=45_000)
    page.keyboard.press("n")
    expect(page.get_by_role("heading", level=1)).to_have_text("J2 · unusual", timeout=45_000)


def test_a_flag_that_is_gone_is_told_in_words(visit: Open, heron: Archive) -> None:
    page = visit(heron).go(f"/event?session={SESSION}&flag=gone")
    expect(page.locator(".message")).to_contain_text("There is no flag “gone” in this session")


def test_downsampling_keeps_a_spike_of_one_row() -> None:
    table = pl.DataFrame({"time": range(1_000_000)}).with_columns(
        current_a=pl.when(pl.col("time") == 654_321).then(9.0).otherwise(0.1)
    )
    kept = downsampled(table, ("current_a",), 4000)
    assert kept.height <= 6100
    assert kept["current_a"].max() == 9.0
    assert kept.filter(pl.col("current_a") == 9.0)["time"].item() == 654_321


def test_evidence_is_spoken_with_its_units() -> None:
    said = dict(
        evidence_words('{"extra_a": 0.4213, "delay_ms": 210, "why": null, "kinds": {"load": 0.5}}')
    )
    assert said == {"extra": "0.421 A", "delay": "210 ms", "kinds": "load 0.5"}


def test_the_page_opens_on_the_newest_session_that_has_a_flag(tmp_path: Path) -> None:
    archive = open_archive(tmp_path / "archive", create=True)
    assert last_flagged(archive) is None
    for session, day in (("later", 9), ("earlier", 2)):
        rows = flag_rows(session, datetime(2031, 3, day, tzinfo=UTC), "TU-103")
        archive.replace("flags", rows, session=[session])
    assert last_flagged(archive) == "later"


def test_a_rate_is_stated_no_rarer_than_the_learning_hours_bear(
    read: Visit, heron: Archive
) -> None:
    page = read.page  # its score is 6.5, the baseline learned from 1.4 joint-hours
    hours = sum(u.hours for u in load_baseline(heron).units.values())
    assert hours < 10**6.5
    score = page.locator(".argument-step", has_text="Score")
    expect(score).to_contain_text(f"the {hours:,.0f} joint-hours that taught the baseline")
    text = page.locator("#page").inner_text()
    assert "10,000 joint-hours" not in text
    assert "certain" not in text
    assert rarity(0.5, 50.0).endswith("once in 3 joint-hours.")
    assert "cannot be said" in rarity(2.0, None)
    # training that showed as much is not said to have shown nothing
    assert rarity(2.6, 23.0, 13).startswith("13 stretches of the 23 joint-hours")
    assert "Nothing as rare" not in rarity(2.6, 23.0, 1)


def test_the_argument_is_short_and_has_no_names_of_the_program(visit: Open, heron: Archive) -> None:
    tab = visit(heron)
    page = tab.go(f"/event?session={SESSION}&flag=f-1")
    expect(page.locator("#event-story .main-svg").first).to_be_visible(timeout=45_000)
    page.wait_for_load_state("networkidle")
    assert page.evaluate("document.documentElement.scrollHeight") < 2000
    text = page.locator("#page").inner_text()
    for name in ("sample_z", "astray", "at once", "runner up", "{", "explains "):
        assert name not in text, name
    fold = page.locator("details:has(#sensors)")
    assert not fold.evaluate("f => f.open")
    page.get_by_role("link", name="Sensors", exact=True).click()
    expect(page.locator("#event-sensors tbody tr").first).to_be_visible(timeout=45_000)


def test_every_link_to_a_part_leads_to_one_and_the_evidence_is_read_once(
    heron: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    read, of = [], argument.of_evidence
    monkeypatch.setattr(argument, "of_evidence", lambda *a: read.append(a) or of(*a))
    client = create_app(heron).server.test_client()
    for kinds in ({}, {"friction": 2.0, "load": 1.0}):
        read.clear()
        monkeypatch.setattr(argument, "weighed", lambda *_, k=kinds: causes_of({"kinds": k}, ""))
        url = {"id": ids.URL, "property": "pathname", "value": "/event"}
        asked = url | {"property": "search", "value": f"?session={SESSION}&flag=f-1"}
        page = {"id": ids.PAGE, "property": "children"}
        body = {"output": "page.children", "outputs": page, "inputs": [url, asked]}
        changed = {"changedPropIds": [f"{ids.URL}.pathname"]}
        text = client.post("/_dash-update-component", json=body | changed).get_data(as_text=True)
        parts = re.findall(r'"href": ?"#([\w-]+)"', text)
        assert ("causes" in parts) == bool(kinds)
        assert [p for p in parts if not re.search(f'"id": ?"{p}"', text)] == []
        assert len(read) == 1


def test_the_caution_for_a_slip_stands_at_the_top_and_once(
    visit: Open, heron: Archive, tmp_path: Path
) -> None:
    root = tmp_path / "archive"
    shutil.copytree(str(heron.root), root)
    archive = open_archive(root)
    record = archive.session(SESSION)
    kept = {"measured": 0.8, "duration_s": 6.0, "kinds": {"brake-slip": 1.0, "unusual": 0.1}}
    rows = flag_rows(SESSION, record.start, record.units["J3"]).head(1)
    rows = rows.with_columns(kind=pl.lit("brake-slip"), evidence=pl.lit(json.dumps(kept)))
    archive.replace("flags", rows, session=[SESSION])
    page = opened(visit, archive).page
    cautions = page.locator(".caution")
    expect(cautions).to_have_count(1)
    top = cautions.bounding_box()
    evidence = page.locator("#evidence").bounding_box()
    assert top is not None
    assert evidence is not None
    assert top["y"] < evidence["y"]
    expect(page.locator(".argument")).to_contain_text("the angle moved by 0.80 deg and stays there")
    expect(page.locator(".argument dt", has_text="By how much")).to_have_count(0)  # said in Seen
    expect(page.locator(".causes-out")).to_contain_text("explain too little of it: friction, ")
    axis = page.locator("#event-story text", has_text="seconds after the event's start")
    lane = axis.first.bounding_box()
    assert lane is not None
    assert lane["y"] + lane["height"] <= 800  # time axis, and the brakes above it
    expect(page.locator(".cause-picture")).to_have_count(2)


def test_a_larger_residual_beside_the_flag_is_explained(heron: Archive) -> None:
    event = find_event(heron, SESSION, "f-1")
    times = [event.start + timedelta(seconds=s) for s in (0.5, 1.0, 1.5, 2.0)]
    rows = pl.DataFrame(
        [
            {"joint": joint, "time": t, "residual": value}
            for joint, values in (("J3", (2, 2, 2, 2)), ("J6", (0, 9, 0, 0)), ("J1", (1, 1, 1, 1)))
            for t, value in zip(times, values, strict=True)
        ],
        schema={"joint": pl.String, "time": pl.Datetime("us", "UTC"), "residual": pl.Float64},
    )
    (said,) = larger_unflagged(heron, event, rows)
    assert said.startswith("J6's largest residual (9.0 spreads) is above J3's (2.0)")
    assert "1.5 s" in said
    assert "J3 +2.0" in said
    assert larger_unflagged(heron, event, rows.filter(pl.col("joint") != "J6")) == []


def test_causes_that_are_out_are_named_with_what_was_measured() -> None:
    kept = {"lead": True, "kinds": {"brake-slip": 598.7}, "resting_a": -0.004, "drag_a": None}
    said = of_evidence(kept, "brake-slip").out
    assert said == (
        "9 other causes were weighed and explain too little of it: "
        "friction, brake drag, current sensor, stall, angle sensor, load, stick-slip, "
        "late release, gap. "
        "Current sensor: an offset shows at rest too; there it is +0.00 A."
    )
    assert of_evidence({"kinds": {"gap": 1.0}}, "gap").out.endswith("brake slip, late release.")
    assert of_evidence({}, "gap").out == ""  # a flag of an earlier program: nothing is known
    assert "leads it" in of_evidence({"lead": False}, "stall").out


def test_the_currents_axis_holds_the_band_or_says_that_it_runs_on() -> None:
    rows = pl.DataFrame({"current_a": [-0.1, 0.2], "expected_a": [0.0, 0.0]})
    held, said = current_scale(rows.with_columns(low_a=pl.lit(-0.4), high_a=pl.lit(0.3)))
    assert held[0] < -0.4 < 0.3 < held[1]
    assert said == ""
    cut, said = current_scale(rows.with_columns(low_a=pl.lit(-0.12), high_a=pl.lit(9.0)))
    assert said == "▲"
    assert cut[1] < 0.5
    assert current_scale(rows)[1] == ""


def test_every_name_that_the_argument_reads_is_declared() -> None:
    asked: set[str] = set()

    class Asking(dict):
        def get(self, name, default=None):
            asked.add(name)
            return default

    for kind in FLAG_KINDS:
        of_evidence(Asking(), kind)
    assert asked == set(READ)
    said = of_evidence({"kinds": {"friction": 2.0, "brake-drag": 1.0, "load": 0.01}}, "friction")
    assert [(c.kind, c.share) for c in said.weighed] == [("brake-drag", 0.5)]
