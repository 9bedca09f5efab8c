"""Two people on one session: each is told what the other puts on record, and replaces nothing.

Two browsers of their own, each signed in under a name.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect
from werkzeug.serving import make_server

from dashboards.app import create_app
from replay.accounts import Role, Users
from replay.archive import Archive
from replay.reviews import Pin, add_pin, judge, verdict_history
from tests.reviews.makers import at, make_archive

PASSWORD = "correct horse battery"
SOON_MS = 10_000
ASK_MS = 300
"""So often the pages ask here; people's ask every 3 s."""

SignIn = Callable[[str, str], Page]


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    return make_archive(tmp_path / "archive")


@pytest.fixture
def signed_in(browser: Browser, archive: Archive, tmp_path: Path) -> Iterator[SignIn]:
    """Sign a person in, in a browser of their own, and open a page."""
    users = Users(tmp_path / "users.json")
    for name in ("ann", "bob"):
        users.put(name, Role.REVIEWER, PASSWORD)
    server = make_server("127.0.0.1", 0, create_app(archive, users).server, threaded=True)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    contexts = []

    def enter(name: str, path: str) -> Page:
        context = browser.new_context(viewport={"width": 1280, "height": 800})
        contexts.append(context)
        context.add_init_script(
            "addEventListener('DOMContentLoaded', () => "
            f"{{ if (window.jointbook) window.jointbook.news.every_ms = {ASK_MS}; }})"
        )
        page = context.new_page()
        page.goto(f"http://127.0.0.1:{server.server_port}/sign-in")
        page.fill("[name=name]", name)
        page.fill("[name=password]", PASSWORD)
        page.evaluate("to => { document.querySelector('[name=next]').value = to; }", path)
        page.click("button")
        return page

    yield enter
    for context in contexts:
        context.close()
    server.shutdown()


def asked(page: Page) -> int:
    return int(page.evaluate("() => window.jointbook.news.asked"))


def test_a_verdict_is_seen_within_seconds_and_an_older_one_is_asked_about(
    signed_in: SignIn, archive: Archive
) -> None:
    """Ann has the finding open in the queue and writes; Bob judges it on the event page."""
    ann = signed_in("ann", "/queue?session=s1&flag=f4")
    expect(ann.locator("#finding-title")).to_have_text("J4 · friction", timeout=45_000)
    ann.locator("#finding-verdict label", has_text="explained").click()
    ann.fill("#finding-note", "a test of the drive")
    bob = signed_in("bob", "/event?session=s1&flag=f4")
    bob.locator(".verdict-form label", has_text="watch").click(timeout=45_000)
    bob.fill(".verdict-note", "again tomorrow")
    bob.get_by_role("button", name="Keep verdict").click()
    expect(bob.locator(".verdict-holds")).to_contain_text("watch · bob", timeout=SOON_MS)

    told = ann.locator("#news")
    expect(told).to_contain_text("bob put “watch” on J4 · friction at 09:00:30", timeout=SOON_MS)
    expect(ann.locator("#finding-history")).to_contain_text("again tomorrow", timeout=SOON_MS)
    row = ann.locator(".queue-row", has_text="J4 · friction")
    expect(row).to_contain_text("has “watch”", timeout=SOON_MS)
    assert ann.input_value("#finding-note") == "a test of the drive"  # what is written stays
    expect(ann.locator("#finding-verdict input:checked")).to_have_value("explained")
    expect(bob.locator("#news")).to_be_empty()  # his own acts are no news to him

    ann.click("#finding-keep")
    both = ann.locator("#finding-said")
    expect(both).to_contain_text("bob decided on this finding after you opened it")
    expect(both).to_contain_text("again tomorrow")
    expect(both).to_contain_text("explained, a test of the drive")
    assert verdict_history(archive, "s1", "f4")["verdict"].to_list() == ["watch"]
    ann.click("#finding-mine")
    expect(ann.locator("#finding-title")).not_to_have_text("J4 · friction")
    expect(bob.locator(".verdict-holds")).to_contain_text("explained · ann", timeout=SOON_MS)
    expect(bob.locator("#news")).to_contain_text("ann put “explained” on J4", timeout=SOON_MS)
    bob.get_by_role("button", name="Keep verdict").click()  # he saw hers, his form was older
    expect(bob.locator(".verdict-said")).to_contain_text("ann decided meanwhile: explained")
    assert verdict_history(archive, "s1", "f4")["reviewer"].to_list() == ["bob", "ann"]


def test_pins_and_verdicts_come_to_a_replay_and_an_event_page(
    signed_in: SignIn, archive: Archive
) -> None:
    """Ann steps through the replay with a note half written; Bob has the event page open."""
    ann = signed_in("ann", "/replay?session=s1&flag=f4")
    ann.wait_for_function("() => window.jointbook?.replay?.player", timeout=45_000)
    bob = signed_in("bob", "/event?session=s1&flag=f4")
    expect(bob.locator("#event-pins")).to_contain_text("Nothing is pinned", timeout=45_000)
    ann.evaluate("() => { document.getElementById('rp-pin').hidden = false; }")
    ann.fill("#rp-pin-text", "half writ")
    add_pin(archive, "s1", at(31.0), text="it shook", author="bob", joint="J4")
    judge(archive, "s1", "f4", "repair", reviewer="bob", note="open it")
    names = "() => window.jointbook.replay.player.view.pins.map((p) => [p.text, p.by])"
    ann.wait_for_function(f"() => ({names})().length", timeout=SOON_MS)
    assert ann.evaluate(names) == [["it shook", "bob"]]  # drawn under his name
    expect(ann.locator("#rp-flag")).to_contain_text("Verdict: repair, by bob", timeout=SOON_MS)
    expect(ann.locator("#news")).to_contain_text("bob", timeout=SOON_MS)
    assert ann.input_value("#rp-pin-text") == "half writ"
    expect(ann.locator("#rp-pin-text")).to_be_visible()

    pinned: Pin = add_pin(archive, "s1", at(32.0), text="not here", author="ann")
    expect(bob.locator("#event-pins")).to_contain_text("not here (ann", timeout=SOON_MS)
    expect(bob.locator("#news")).to_contain_text("ann pinned at 09:00:32: not here")
    expect(bob.locator(".verdict-holds")).to_contain_text("repair · bob")  # from his other tab
    assert pinned.pin


def test_a_tab_that_nobody_sees_asks_nothing(signed_in: SignIn, archive: Archive) -> None:
    page = signed_in("ann", "/queue")
    expect(page.locator("#finding-title")).to_be_visible(timeout=45_000)
    page.wait_for_function("() => window.jointbook?.news?.asked > 1", timeout=SOON_MS)
    sizes: list[int] = []
    page.on("response", lambda r: sizes.append(len(r.body())) if "/record/news" in r.url else None)
    page.wait_for_timeout(3 * ASK_MS)
    assert sizes
    assert max(sizes) < 40  # a number
    turn = """state => {
        Object.defineProperty(document, "visibilityState", { value: state, configurable: true });
        document.dispatchEvent(new Event("visibilitychange")); }"""
    page.evaluate(turn, "hidden")
    page.wait_for_timeout(ASK_MS)  # what was on its way arrives
    before = asked(page)
    judge(archive, "s1", "f4", "watch", reviewer="bob")
    page.wait_for_timeout(5 * ASK_MS)
    assert asked(page) == before
    page.evaluate("() => { window.jointbook.news.every_ms = 60000; }")
    page.evaluate(turn, "visible")  # seen again, it asks at once
    expect(page.locator("#news")).to_contain_text("bob put “watch”", timeout=SOON_MS)
