"""Who writes a reason on the queue page stays where they write, and loses no letter unseen."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import expect

from replay.archive import Archive
from replay.reviews import dispositions, judge
from tests.pages.conftest import Visit
from tests.pages.test_queue import Keys, fill, opened
from tests.reviews.makers import make_archive

Open = Callable[..., Visit]


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    return make_archive(tmp_path / "archive")


TIMERS_LATE = """const timer = window.setTimeout;
window.setTimeout = (act, ms, ...words) => timer(act, ms > 30 && ms < 200 ? 1500 : ms, ...words);"""


def test_the_focus_is_given_once_and_never_taken_from_who_writes(
    visit: Open, archive: Archive
) -> None:
    """On a busy machine a page's timers come late, when the person is in the next field."""
    tab = visit(archive)
    tab.page.add_init_script(TIMERS_LATE)
    page = tab.go("/")
    fill(page, "R. Moss", "watch")
    expect(page.locator("#finding-title")).to_have_text("J4 · friction")
    expect(page.locator("#finding-verdict input").first).to_be_focused()
    Keys(page).tab_to("#finding-cause")
    page.keyboard.type("test, gently", delay=150)  # has the keys of other pages: t, e, g, n
    expect(page.locator("#finding-cause")).to_have_value("test, gently")
    expect(page.locator("#finding-cause")).to_be_focused()


def test_what_is_typed_while_a_verdict_is_kept_does_nothing_and_is_seen_to(
    visit: Open, archive: Archive
) -> None:
    page = opened(visit, archive)
    page.get_by_label("Your name").fill("R. Moss")
    page.locator("#finding-verdict").get_by_label("watch", exact=True).check()
    page.locator("#finding-note").click()
    page.keyboard.type("seen")
    page.keyboard.press("Control+Enter")
    expect(page.locator(".queue-body")).to_have_attribute("aria-busy", "true")
    page.keyboard.type("eee ggg", delay=100)  # and on, over the arrival of the next finding
    expect(page.locator("#finding-title")).to_have_text("J4 · friction")
    expect(page.locator("#finding-verdict input").first).to_be_focused()
    assert page.locator("#finding-verdict input:checked").count() == 0
    assert "/event" not in page.url
    expect(page.locator(".queue-body")).not_to_have_attribute("aria-busy", "true")
    held = [d.note for d in dispositions(archive, "s1").values()]
    assert held == ["seen"]
    page.wait_for_timeout(800)
    page.keyboard.press("n")  # and after a pause the keys are keys again
    expect(page.locator("#finding-title")).to_have_text("every joint · gap")


def test_what_was_begun_is_there_again_until_it_is_kept(visit: Open, archive: Archive) -> None:
    page = opened(visit, archive)
    page.get_by_label("Your name").fill("R. Moss")
    cause, begun = page.locator("#finding-cause"), page.locator("#finding-begun")
    cause.click()
    page.keyboard.type("the rail touched")
    page.locator("#finding-take").click()  # draws the form anew
    expect(page.locator(".queue-holder").first).to_have_text("R. Moss has it")
    expect(cause).to_have_value("the rail touched")
    page.keyboard.press("n")
    expect(page.locator("#finding-title")).to_have_text("J4 · friction")
    expect(cause).to_have_value("")
    page.keyboard.press("p")
    expect(cause).to_have_value("the rail touched")
    expect(begun).to_have_text("What you had begun to write is here again.")
    page.reload()
    expect(cause).to_have_value("the rail touched")
    page.get_by_label("Your name").fill("R. Moss")
    page.locator("#finding-verdict").get_by_label("watch", exact=True).check()
    page.locator("#finding-class").get_by_label("none", exact=True).check()
    page.locator("#finding-keep").click()
    expect(page.locator("#finding-title")).to_have_text("J4 · friction")
    held = next(iter(dispositions(archive, "s1").values()))
    assert held.reasons is not None
    assert held.reasons.cause == "the rail touched"  # what is seen is what is kept
    page.goto(page.url.replace("flag=f4", "flag=f1"))
    expect(page.locator(".finding-history")).to_contain_text("the rail touched")
    expect(begun).to_have_text("")


def test_what_was_begun_is_not_put_over_what_somebody_decided_since(
    visit: Open, archive: Archive
) -> None:
    page = opened(visit, archive)
    page.locator("#finding-note").click()
    page.keyboard.type("mine")
    judge(archive, "s1", "f1", "explained", reviewer="K. Fell", note="theirs")
    page.goto(page.url.split("?")[0].rstrip("/") + "/queue?session=s1&flag=f1")
    expect(page.locator("#finding-note")).to_have_value("theirs")
    expect(page.locator("#finding-begun")).to_contain_text(
        "decided since you began to write: “mine”"
    )
