"""Who writes a reason on the queue page stays where they write, and loses no letter unseen."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import expect

from replay.archive import Archive
from replay.reviews import dispositions
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
