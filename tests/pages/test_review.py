"""The review in a real browser: verdicts and notes, kept and shown again."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
from playwright.sync_api import Page, expect

from dashboards.jobs import Jobs
from dashboards.links import View
from dashboards.pages import review
from dashboards.pages.page import Desk
from replay.archive import Archive
from replay.reviews import judge, verdict_history
from tests.pages.conftest import Visit
from tests.reviews.makers import flag_row, keep_flags, make_archive

SESSION = "20310303-heron"
Open = Callable[..., Visit]


@pytest.fixture
def page(visit: Open, heron: Archive) -> Page:
    tab = visit(heron)
    opened = tab.go(f"/review?session={SESSION}")
    expect(opened.locator(".flag-card")).to_have_count(3, timeout=45_000)
    return opened


def card(page: Page, words: str):
    return page.locator(".flag-card").filter(has=page.get_by_role("heading", name=words))


def test_flags_stand_in_one_list_most_urgent_first(page: Page) -> None:
    heads = page.locator(".flag-card h2").all_inner_texts()
    assert heads == ["J3 · brake drag", "J5 · stick-slip", "J2 · unusual"]
    # what a log or a detector wrote is shown as text, never obeyed as markup
    expect(page.locator(".flag-summary").first).to_contain_text("expected <b>for</b>")
    expect(page.locator(".caution").last).to_contain_text("follow the operator's own rules")


def test_above_a_slip_stands_its_caution(tmp_path: Path) -> None:
    archive = make_archive(tmp_path / "archive")
    told = "nobody belongs within the arm's reach"
    page = review.layout(Desk(archive, Jobs()), View(session="s1"))
    assert told not in str(page)
    keep_flags(archive, flag_row("f9", "J4", "act", score=9.0, kind="brake-slip", start=30.0))
    page = review.layout(Desk(archive, Jobs()), View(session="s1"))
    assert str(page).index(told) < str(page).index("review-count")


def test_a_verdict_needs_a_name_and_sometimes_a_note(page: Page, heron: Archive) -> None:
    before = verdict_history(heron, SESSION).height
    mine = card(page, "J2 · unusual")
    mine.get_by_label("watch").check()
    mine.get_by_role("button", name="Keep verdict").click()
    expect(mine.locator(".verdict-said")).to_contain_text("reviewer's name")
    page.get_by_label("Your name").fill("R. Moss")
    mine.get_by_label("repair").check()
    mine.get_by_role("button", name="Keep verdict").click()
    expect(mine.locator(".verdict-said")).to_contain_text("needs a note")
    assert verdict_history(heron, SESSION).height == before


def test_a_verdict_is_kept_with_name_and_history(page: Page, heron: Archive, visit: Open) -> None:
    page.get_by_label("Your name").fill("K. Fell")
    mine = card(page, "J5 · stick-slip")
    mine.get_by_label("watch").check()
    mine.get_by_title("Note on this flag").fill("rough below 1 deg/s <i>again</i>")
    mine.get_by_role("button", name="Keep verdict").click()
    expect(mine.locator(".verdict-holds")).to_contain_text("watch · K. Fell")
    expect(page.locator("#review-count")).to_contain_text("2 open, 1 decided")
    mine.get_by_label("explained").check()
    mine.get_by_role("button", name="Keep verdict").click()
    expect(mine.locator(".verdict-holds")).to_contain_text("explained · K. Fell")
    history = verdict_history(heron, SESSION, "f-2")
    assert history["verdict"].to_list() == ["watch", "explained"]
    assert history["note"][0] == "rough below 1 deg/s <i>again</i>"
    # another visit sees it, and the name is remembered here
    page.reload()
    again = card(page, "J5 · stick-slip")
    expect(again.locator(".verdict-holds")).to_contain_text("explained · K. Fell")
    expect(again.get_by_label("explained")).to_be_checked()
    expect(page.get_by_label("Your name")).to_have_value("K. Fell")
    # the filter is in the address
    other = visit(heron).go(f"/review?session={SESSION}&show=open")
    expect(other.locator(".flag-card")).to_have_count(2, timeout=45_000)


def test_the_list_is_saved_with_its_verdicts(page: Page) -> None:
    with page.expect_download() as download:
        page.get_by_role("link", name=re.compile("verdicts as Parquet")).click()
    rows = pl.read_parquet(io.BytesIO(Path(download.value.path()).read_bytes()))
    assert rows["flag"].to_list() == ["f-1", "f-2", "f-3"]
    assert {"verdict", "note", "reviewer", "at"} <= set(rows.columns)


def test_keyboard_alone_reaches_and_keeps_a_verdict(page: Page, heron: Archive) -> None:
    page.get_by_label("Your name").focus()
    page.keyboard.type("A. Tarn")
    mine = card(page, "J3 · brake drag")
    mine.locator("input[type=radio]:checked").focus()
    page.keyboard.press("ArrowLeft")  # from "open" to its neighbour
    note = mine.get_by_title("Note on this flag")
    for _ in range(4):
        if note.evaluate("e => e === document.activeElement"):
            break
        page.keyboard.press("Tab")
    page.keyboard.type("brake off by 07:10, sensor only")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(mine.locator(".verdict-holds")).to_contain_text("A. Tarn")
    assert verdict_history(heron, SESSION, "f-1")["note"].to_list() == [
        "brake off by 07:10, sensor only"
    ]


def test_an_unknown_session_is_told_in_words(visit: Open, heron: Archive) -> None:
    page = visit(heron).go("/review?session=nope")
    expect(page.locator(".message")).to_contain_text("There is no session “nope”")
    expect(page.get_by_role("heading", level=1)).to_have_text("Review")


def test_a_stale_page_is_told_and_asked_before_it_replaces_a_verdict(
    visit: Open, tmp_path: Path
) -> None:
    archive = make_archive(tmp_path / "archive")
    opened = visit(archive).go("/review?session=s1")
    expect(opened.locator(".flag-card")).to_have_count(3, timeout=45_000)
    expect(opened.locator(".flag-card").first).to_contain_text("2 more flags of the same cause")
    judge(archive, "s1", "f1", "explained", reviewer="K. Fell", note="the rail")
    opened.get_by_label("Your name").fill("R. Moss")
    mine = card(opened, "J1 · stall")
    mine.get_by_label("watch").check()
    mine.get_by_role("button", name="Keep verdict").click()
    expect(mine.locator(".verdict-said")).to_contain_text("K. Fell decided meanwhile: explained")
    assert verdict_history(archive, "s1", "f1")["reviewer"].to_list() == ["K. Fell"]
    mine.get_by_role("button", name="Keep verdict").click()
    expect(mine.locator(".verdict-holds")).to_contain_text("watch · R. Moss")
    assert verdict_history(archive, "s1", "f3")["verdict"].to_list() == ["explained", "watch"]
