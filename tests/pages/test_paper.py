"""What pages print: all that is told, and nothing that is pressed."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import pytest
from playwright.sync_api import Browser, Page

from replay.archive import Archive
from replay.reports import session_report
from tests.pages.conftest import Visit

SESSION = "20310303-heron"
EVENT = f"/event?session={SESSION}&flag=f-1"


@pytest.fixture(scope="module")
def look(lasting_visit: Callable[..., Visit], heron: Archive) -> Callable[[str], Page]:
    """Return an address's page, opened once for all that is looked at on it."""
    return cache(lambda path: lasting_visit(heron).go(path))


def test_an_event_is_printed_whole_and_without_what_is_pressed(
    look: Callable[[str], Page],
) -> None:
    page = look(EVENT)
    page.wait_for_selector("#event-story .scatterlayer")
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 700, "height": 990})  # A4 less its margins
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    page.wait_for_function(
        "document.querySelector('#event-story .main-svg').getBoundingClientRect().right <= 700"
    )
    for hidden in (".spine", ".archive-name", ".event-contents", ".pin-form", ".figure-card-save"):
        assert page.locator(hidden).first.is_hidden(), hidden
    assert page.locator(".argument").is_visible()
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    page.emulate_media(media="screen")
    page.set_viewport_size({"width": 1280, "height": 800})
    page.wait_for_function(
        "document.querySelector('#event-story .main-svg').getBoundingClientRect().width > 900"
    )


@pytest.mark.parametrize(
    ("path", "told", "pressed"),
    [
        ("/queue", ".queue-row >> nth=-1", ".finding-form"),
        (f"/review?session={SESSION}", ".flag-summary >> nth=-1", ".verdict-form >> nth=0"),
        ("/library", ".ag-row >> nth=0", ".drop-zone"),
    ],
)
def test_paper_has_all_that_waits_and_no_form(
    look: Callable[[str], Page], path: str, told: str, pressed: str
) -> None:
    """Three of ten findings of a queue were printed, with an empty form and its buttons."""
    page = look(path)
    page.wait_for_selector(told)
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 700, "height": 990})
    try:
        assert page.locator(told).is_visible()
        assert page.locator(pressed).is_hidden()
        assert page.locator(".page button:visible:not(.dash-dropdown)").count() == 0
        lists = "[...document.querySelectorAll('.queue-side')]"
        assert page.evaluate(f"{lists}.every((e) => e.scrollHeight <= e.clientHeight)")
    finally:
        page.emulate_media(media="screen")
        page.set_viewport_size({"width": 1280, "height": 800})


def test_a_report_is_no_wider_than_a_narrow_window_and_its_tables_scroll(
    browser: Browser, heron: Archive
) -> None:
    """It was 767 px wide in a window of 420: every line of it had to be followed sideways."""
    page = browser.new_page(viewport={"width": 420, "height": 800})
    page.set_content(session_report(heron, SESSION).html)
    assert page.evaluate("document.documentElement.scrollWidth") <= 420
    sizes = "boxes => boxes.map(box => [box.scrollWidth, box.clientWidth])"
    scrolled = [s for s in page.locator(".wide").evaluate_all(sizes) if s[0] > s[1]]
    assert scrolled
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 673, "height": 990})  # A4 less the report's own margins
    flows = "boxes => boxes.map(box => getComputedStyle(box).overflowX)"
    assert set(page.locator(".wide").evaluate_all(flows)) == {"visible"}
    page.close()
