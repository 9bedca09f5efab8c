"""Who writes a reason on the queue page stays where they write, and loses no letter unseen."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from replay.archive import Archive
from replay.reviews import dispositions, judge
from tests.pages.conftest import Held, Visit
from tests.pages.test_queue import Keys, fill, opened
from tests.reviews.makers import add_session, flag_row, keep_flags, make_archive

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


VERDICTS = '"..queue-list.children'
"""What a page sends that keeps a verdict."""

GOES_ON = """by => new MutationObserver(() => {
  const body = document.querySelector('.queue-body');
  const note = document.getElementById('finding-note');
  if (!body || body.hasAttribute('aria-busy') || window.typedOn !== undefined) return;
  const how = { bubbles: true, cancelable: true };
  if (by === 'Tab') note.dispatchEvent(new KeyboardEvent('keydown', { key: 'Tab', ...how }));
  if (by === 'click') note.dispatchEvent(new PointerEvent('pointerdown', how));
  const typed = new KeyboardEvent('keydown', { key: by === 'typing on' ? 'e' : 'r', ...how });
  // what is pressed while the page is busy is brought when it no longer is, with its own instant
  if (by === 'typing on') Object.defineProperty(typed, 'timeStamp', { value: window.pressed });
  window.typedOn = (by === 'typing on' ? document.body : note).dispatchEvent(typed);
}).observe(document.documentElement, { attributes: true, subtree: true })"""


def test_what_is_typed_while_a_verdict_is_kept_does_nothing_and_is_seen_to(
    visit: Open, archive: Archive
) -> None:
    page = opened(visit, archive)
    page.get_by_label("Your name").fill("R. Moss")
    page.locator("#finding-verdict").get_by_label("watch", exact=True).check()
    page.locator("#finding-note").click()
    page.keyboard.type("seen")
    held = Held(page, VERDICTS)
    page.keyboard.press("Control+Enter")
    expect(page.locator(".queue-body")).to_have_attribute("aria-busy", "true")
    page.keyboard.type("eee")
    page.evaluate(GOES_ON, "typing on")  # and on, over the arrival of the next finding
    page.evaluate("window.pressed = performance.now()")
    page.wait_for_timeout(800)  # a page that is busy for so long had taken the word for ended
    held.arrive()
    page.wait_for_function("window.typedOn !== undefined")
    assert not page.evaluate("window.typedOn")
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


def sent(page: Page) -> Held:
    """Send a verdict on the finding that is shown, and hold it up."""
    held = Held(page, VERDICTS)
    fill(page, "R. Moss", "watch")
    expect(page.locator(".queue-body")).to_have_attribute("aria-busy", "true")
    return held


def test_who_clicks_away_while_a_verdict_is_kept_has_their_keys_on_the_next_page(
    visit: Open, archive: Archive
) -> None:
    page = opened(visit, archive)
    held = sent(page)
    page.locator('a.thumb[data-page="baseline"]').click()
    expect(page.locator(".queue-body")).to_have_count(0)
    page.keyboard.press("?")
    expect(page.locator("#help")).to_be_visible()
    held.arrive()


def test_after_a_verdict_is_kept_keys_are_keys_again_though_somebody_types_on(
    visit: Open, archive: Archive
) -> None:
    page = opened(visit, archive)
    held = sent(page)
    page.keyboard.type("xx")
    held.arrive()
    page.keyboard.type("x" * 30, delay=100)  # X is no key of any page; the pause is 700 ms
    expect(page.locator("#finding-title")).to_have_text("J4 · friction")
    expect(page.locator(".queue-body")).not_to_have_attribute("aria-busy", "true")
    page.keyboard.type("x" * 10, delay=100)
    page.keyboard.press("n")
    expect(page.locator("#finding-title")).to_have_text("every joint · gap")


@pytest.mark.parametrize("by", ["Tab", "click"])
def test_who_goes_to_a_field_when_the_next_finding_is_there_loses_no_letter(
    visit: Open, archive: Archive, by: str
) -> None:
    page = opened(visit, archive)
    held = sent(page)
    page.keyboard.type("xx")
    # what comes next is done in the page, in the moment in which the form is released
    page.evaluate(GOES_ON, by)
    held.arrive()
    page.wait_for_function("window.typedOn !== undefined")
    assert page.evaluate("window.typedOn")  # nobody has taken the letter


def test_only_what_was_begun_about_the_kept_finding_is_dropped(
    visit: Open, archive: Archive
) -> None:
    """Whoever looks at another finding while a verdict is on its way finds their words there."""
    page = opened(visit, archive)
    title, note = page.locator("#finding-title"), page.locator("#finding-note")
    note.click()
    page.keyboard.type("of the first")
    page.locator(".queue-row").nth(1).click()
    expect(title).to_have_text("J4 · friction")
    note.click()
    page.keyboard.type("of the second")
    page.locator(".queue-row").first.click()
    expect(note).to_have_value("of the first")
    held = Held(page, VERDICTS)
    page.get_by_label("Your name").fill("R. Moss")
    page.locator("#finding-verdict").get_by_label("watch", exact=True).check()
    page.locator("#finding-keep").click()
    expect(page.locator(".queue-body")).to_have_attribute("aria-busy", "true")
    page.locator(".queue-row").nth(1).click()
    expect(title).to_have_text("J4 · friction")
    held.arrive()
    page.wait_for_function("sessionStorage.length < 2")
    assert drafts(page) == ["of the second"]
    assert {d.verdict for d in dispositions(archive, "s1").values()} == {"watch"}
    page.reload()
    expect(note).to_have_value("of the second")


def test_what_was_begun_about_findings_kept_along_is_dropped_too(
    visit: Open, archive: Archive
) -> None:
    rows = [flag_row(f"d{n}", f"J{n}", score=9.0 - n, start=10.0 * n) for n in (1, 2, 3)]
    keep_flags(archive, *rows)
    page = opened(visit, archive)
    page.locator(".queue-row").nth(1).click()
    expect(page.locator("#finding-title")).to_have_text("J2 · friction")
    page.locator("#finding-note").click()
    page.keyboard.type("a cold")
    page.locator(".queue-row").first.click()
    expect(page.locator("#finding-title")).to_have_text("J1 · friction")
    for label in page.locator("#finding-also label").all():
        label.click()
    fill(page, "R. Moss", "explained", "a cold morning")
    expect(page.locator(".queue-main")).to_contain_text("3 findings")
    assert drafts(page) == []


def drafts(page: Page) -> list[str]:
    """Return the notes that this tab holds for later."""
    found: list[str] = page.evaluate(
        """() => Object.keys(sessionStorage).filter((k) => k.startsWith('jointbook-draft')).map(
             (k) => JSON.parse(sessionStorage.getItem(k)).texts['finding-note'])"""
    )
    return found


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


def test_the_key_for_signing_signs_what_is_done_and_not_what_came_next(
    visit: Open, archive: Archive
) -> None:
    """It said "sign it off" of a session and led to that of the finding which came after."""
    add_session(archive, "s2", day=1)
    keep_flags(archive, flag_row("g1", "J1", "act", score=20.0), session="s2")
    add_session(archive, "s3", day=2)
    words = {"summary": "off by -0.63 A at 27 degC"}
    keep_flags(archive, flag_row("h1", "J2", "act", score=15.0) | words, session="s3")
    page = opened(visit, archive, "/queue?session=s2&flag=g1")
    page.locator("#finding-class").get_by_label("none", exact=True).check()
    fill(page, "R. Moss", "explained")
    expect(page.locator("#finding-said")).to_contain_text("Nothing waits in s2 any more")
    expect(page.locator("#finding-title")).to_have_text("J2 · friction")
    expect(page.locator(".flag-summary")).to_have_text("off by −0.63 A at 27 °C")
    expect(page.locator(".queue-body")).not_to_have_attribute("aria-busy", "true")
    page.locator("#finding-title").focus()
    page.keyboard.press("g")
    expect(page.get_by_role("heading", level=1)).to_have_text("Sign-off", timeout=45_000)
    assert "session=s2" in page.url
