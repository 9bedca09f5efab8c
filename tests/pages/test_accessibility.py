"""Every page against WCAG 2.2 A and AA, by the axe rules, in both themes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from replay.archive import Archive
from tests.pages.conftest import Visit

SESSION = "20310303-heron"
Open = Callable[..., Visit]

PAGES: dict[str, tuple[str, str]] = {
    "queue": ("/queue", "#finding-keep"),
    "sign-off": (f"/sign-off?session={SESSION}", ".signoff-table"),
    "library": ("/library", "#library-grid [role=row] svg"),
    "replay": (f"/replay?session={SESSION}", "#rp-stack"),
    "event": (f"/event?session={SESSION}&flag=f-2", "#event-story .main-svg"),
    "wear": ("/wear", "h1"),
    "review": (f"/review?session={SESSION}", ".flag-card"),
    "compare": (f"/compare?session=20310301-heron&with={SESSION}", "#compare-overlay .main-svg"),
    "baseline": ("/baseline", "#baseline-table tbody tr"),
}
REACHED = ("queue", "sign-off", "library", "event", "review", "compare")
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}


def findings(page: Page) -> list[str]:
    answer: dict[str, Any] = Axe().run(page, options=RULES).response
    return [
        f"{v['id']} ({v['impact']}): {n['html'][:160]} :: {n['failureSummary'][:240]}"
        for v in answer["violations"]
        for n in v["nodes"]
    ]


def everything_that_acts_is_reached_by_tab_and_seen(page: Page) -> None:
    wanted = page.evaluate(
        """() => [...document.querySelectorAll('main button, main a[href], main textarea')]
        .filter((e) => !e.disabled && e.offsetParent && e.tabIndex >= 0
            && !e.closest('.ag-root-wrapper') && !e.closest('details:not([open]) > :not(summary)'))
        .map((e, i) => (e.dataset.reach = String(i)))"""
    )
    assert wanted
    reached, unseen = set(), []
    page.evaluate("document.querySelector('main').focus()")
    for _ in range(len(wanted) * 3 + 60):
        page.keyboard.press("Tab")
        at = page.evaluate(
            """() => { const e = document.activeElement, s = getComputedStyle(e);
            return { id: e.dataset.reach || null, html: e.outerHTML.slice(0, 90),
                ring: s.outlineStyle !== 'none' || s.boxShadow !== 'none' }; }"""
        )
        if at["id"] is not None:
            reached.add(at["id"])
            if not at["ring"]:
                unseen.append(at["html"])
        if len(reached) == len(wanted):
            break
    missing = sorted(set(wanted) - reached)
    assert missing == []
    assert unseen == []


@pytest.mark.parametrize("dark", [False, True], ids=["light 1280x800", "dark 1920x1080"])
@pytest.mark.parametrize("name", list(PAGES))
def test_a_page_passes_the_axe_rules_fits_its_width_and_is_reached_by_tab(
    visit: Open, heron: Archive, name: str, dark: bool
) -> None:
    path, ready = PAGES[name]
    size = {"width": 1920, "height": 1080} if dark else {"width": 1280, "height": 800}
    page = visit(heron, dark=dark, **size).go(path)
    expect(page.locator(ready).first).to_be_visible(timeout=45_000)
    page.wait_for_timeout(700)
    assert findings(page) == []
    over = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    assert page.evaluate(over) <= 0
    if name in REACHED and not dark:
        everything_that_acts_is_reached_by_tab_and_seen(page)


def test_axe_itself_finds_a_planted_fault(visit: Open, heron: Archive) -> None:
    """A check that cannot fail proves nothing."""
    page = visit(heron).go("/review?session=" + SESSION)
    expect(page.locator(".flag-card").first).to_be_visible(timeout=45_000)
    page.evaluate("""document.querySelector('.flag-card').insertAdjacentHTML(
        'beforeend', '<button></button><p style="color:#ccc;background:#fff">pale</p>')""")
    found = " ".join(findings(page))
    assert "button-name" in found
    assert "color-contrast" in found


def test_a_list_is_chosen_from_by_keyboard_and_says_its_name(visit: Open, heron: Archive) -> None:
    page = visit(heron).go(PAGES["review"][0])
    shown = page.get_by_role("button", name="Show")
    expect(shown).to_be_visible(timeout=45_000)
    page.wait_for_load_state("networkidle")  # a list opened while its page is drawn closes again
    shown.focus()
    page.keyboard.press("Enter")
    options = page.get_by_role("option")
    for n in (1, 2):
        expect(options.nth(n - 1).locator("input")).to_be_focused()
        page.keyboard.press("ArrowDown")
        expect(options.nth(n).locator("input")).to_be_focused()
    page.keyboard.press("Enter")
    page.wait_for_function("location.search.includes('show=decided')", timeout=45_000)
