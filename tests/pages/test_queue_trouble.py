"""When the record cannot be written: said on the page, nothing lost, what was typed still there."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from replay.archive import Archive, open_archive
from replay.record import open_record
from replay.record.proof import prove
from replay.reviews import dispositions, judge
from tests.pages.conftest import Held, Visit
from tests.pages.test_queue import fill, opened
from tests.pages.test_queue_typing import VERDICTS
from tests.reviews.makers import make_archive

Open = Callable[..., Visit]
NOTE = "李 saw the rail; <b>look</b> again"


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    """An archive whose record was begun by a verdict on another finding."""
    made = make_archive(tmp_path / "archive")
    judge(made, "s1", "f4", "explained", reviewer="K. Fell")
    return made


def kept_after_all(page: Page, archive: Archive) -> None:
    """The same form, kept again once the trouble is over, goes on record once."""
    expect(page.locator("#finding-note")).to_have_value(NOTE)
    page.locator("#finding-keep").click()
    expect(page.locator("#finding-said")).to_contain_text("Kept: watch")
    fresh = open_archive(archive.root)
    notes = [d.note for d in dispositions(fresh, "s1").values() if d.by == "R. Moss"]
    assert notes == [NOTE]
    assert prove(fresh).whole
    assert len(open_record(fresh).entries("verdict")) == 2


def test_a_record_that_is_gone_is_told_and_the_typed_note_stays(
    visit: Open, archive: Archive
) -> None:
    page = opened(visit, archive)
    path = open_record(archive).database.path
    assert path is not None
    away = path.rename(path.with_suffix(".away"))
    fill(page, "R. Moss", "watch", NOTE)
    expect(page.get_by_text("the record's database has gone")).to_be_visible()
    assert not path.exists()  # no empty record in place of the lost one
    away.rename(path)
    kept_after_all(page, archive)


def test_a_record_that_another_program_holds_is_told_and_the_typed_note_stays(
    visit: Open, archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("replay.record.database.WAIT_S", 0.2)
    page = opened(visit, archive)
    holder = sqlite3.connect(str(open_record(archive).database.path), isolation_level=None)
    holder.execute("BEGIN EXCLUSIVE")
    fill(page, "R. Moss", "watch", NOTE)
    expect(page.get_by_text("the record is busy")).to_be_visible()
    holder.execute("COMMIT")
    holder.close()
    kept_after_all(page, archive)


LONG = """field => { field.removeAttribute("maxlength");
    field.style.display = "none"; // not laid out
    const set = Object.getOwnPropertyDescriptor(HTMLTextAreaElement.prototype, "value").set;
    set.call(field, "<b>".repeat(500000));
    field.dispatchEvent(new Event("input", { bubbles: true })); }"""


def test_a_note_of_megabytes_is_cut_or_refused_in_words(
    visit: Open, archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The field takes 4,000 characters; past it the server's limit, here 1 MB, is told."""
    monkeypatch.setattr("dashboards.gate.guard.MOST_BODY", 1 << 20)
    page = opened(visit, archive)
    page.locator("#finding-note").click()
    page.keyboard.insert_text("x" * 5_000)
    expect(page.locator("#finding-note")).to_have_value("x" * 4000)
    page.get_by_label("Your name").fill("R. Moss")
    page.locator("#finding-verdict").get_by_label("watch", exact=True).check()
    page.locator("#finding-note").evaluate(LONG)
    page.locator("#finding-keep").click()
    expect(page.locator("#notice")).to_contain_text("Not done: ")
    assert page.locator("#finding-note").evaluate("field => field.value.length") == 1_500_000
    assert len(open_record(archive).entries("verdict")) == 1
    page.locator("#finding-note").evaluate("field => { field.style.display = ''; }")
    page.locator("#finding-note").fill(NOTE)
    kept_after_all(page, archive)


def test_only_a_form_that_was_not_heard_is_told_that_its_words_are_still_here(
    visit: Open, archive: Archive
) -> None:
    """What asks by itself, as the jobs tray does, holds nothing that a person typed."""
    page = opened(visit, archive)
    page.route("**/_dash-update-component*", lambda route: route.abort())
    notice = page.locator("#notice")
    page.evaluate("window.dash_clientside.set_props('jobs-beat', { disabled: false })")
    expect(notice).to_contain_text("Not done: the server did not answer")
    expect(notice).not_to_contain_text("what you typed")
    page.evaluate("window.dash_clientside.set_props('jobs-beat', { disabled: true })")
    fill(page, "R. Moss", "watch", NOTE)
    expect(notice).to_contain_text("Not done: the server did not answer")
    expect(notice).to_contain_text("what you typed is still here")
    page.unroute("**/_dash-update-component*")
    kept_after_all(page, archive)


def test_words_sent_by_enter_are_still_here_too_when_nobody_heard(
    visit: Open, heron: Archive
) -> None:
    page = visit(heron).go("/replay?session=20310303-heron")
    expect(page.locator("#rp-values tr").first).to_be_visible(timeout=45_000)
    page.locator("#rp-pin-open").click()
    page.locator("#rp-pin-text").fill("look at this")
    page.route("**/_dash-update-component*", lambda route: route.abort())
    page.locator("#rp-pin-text").press("Enter")
    expect(page.locator("#notice")).to_contain_text("what you typed is still here")


def test_what_is_refused_comes_into_sight_however_late_it_is_drawn(
    visit: Open, archive: Archive
) -> None:
    page = visit(archive, height=500).go("/")
    page.get_by_label("Your name").fill("R. Moss")
    held = Held(page, VERDICTS)
    page.locator("#finding-keep").click()
    expect(page.locator(".queue-body")).to_have_attribute("aria-busy", "true")
    page.evaluate("scrollTo(0, 0)")  # meanwhile the person reads the finding again
    held.arrive()
    said = page.locator("#finding-said")
    expect(said).to_contain_text("no verdict was chosen")
    expect(said).to_be_in_viewport(ratio=1)
