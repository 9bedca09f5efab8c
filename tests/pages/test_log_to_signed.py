"""A fresh log becomes a signed session, in a real browser, with the keyboard alone.

Only the system's own file window stands outside the page: there a person types a path.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
from playwright.sync_api import expect

import replay
from replay.archive import Archive
from replay.record.proof import prove
from replay.reviews import dispositions, findings, sign_off
from tests.pages.conftest import Visit
from tests.pages.test_library import plain_log
from tests.pages.test_queue import Keys

Open = Callable[..., Visit]
NEXT_S = 90_000
MOST_FINDINGS = 20


@pytest.fixture
def learned(tmp_path: Path) -> Archive:
    """Four healthy sessions and a baseline of them."""
    archive = replay.open_archive(tmp_path / "archive", create=True)
    styles = ("inspection", "joint test")
    logs = [plain_log(tmp_path / f"d{n}.csv", day=n, style=styles[n % 2]) for n in range(4)]
    described = tmp_path / "plain.map.toml"
    described.write_text(replay.propose_map(logs[0]).toml)
    replay.ingest(archive, logs, log_map=replay.load_map(described))
    replay.learn(archive)
    return archive


def stuck_sensor(path: Path) -> Path:
    """Write the same kind of log with the current of joint 3 stuck for 50 s."""
    frame = pl.read_csv(plain_log(path, day=9))
    name = "joint3_current_A"
    stuck = pl.int_range(pl.len()).is_between(300, 800)
    frame.with_columns(pl.when(stuck).then(0.777).otherwise(pl.col(name)).alias(name)).write_csv(
        path
    )
    return path


def test_a_fresh_log_is_signed_with_the_keyboard_alone(
    visit: Open, learned: Archive, tmp_path: Path
) -> None:
    before = set(learned.sessions()["session"])
    page = visit(learned).go("/")
    expect(page.locator(".queue-main")).to_contain_text("Nothing waits", timeout=NEXT_S)
    keys = Keys(page)

    # take the log in, then check it: what is next has the focus
    keys.tab_to('a.thumb[data-page="library"]')
    keys.press("Enter")
    expect(page.get_by_role("button", name="Choose files")).to_be_visible(timeout=NEXT_S)
    page.wait_for_load_state("networkidle")
    to_button(keys, "Choose files")
    with page.expect_file_chooser() as chooser:
        keys.press("Enter")
    chooser.value.set_files([stuck_sensor(tmp_path / "today.csv")])
    expect(page.locator(".intake-sheet")).to_be_visible(timeout=NEXT_S)
    to_button(keys, "Take in")
    keys.press("Enter")
    expect(page.locator("#library-count")).to_have_text("5 sessions", timeout=NEXT_S)
    (session,) = set(learned.sessions()["session"]) - before
    expect(page.locator(".check-taken")).to_be_focused(timeout=NEXT_S)
    keys.press("Enter")
    expect(page.locator(".taken-next a")).to_be_focused(timeout=NEXT_S)
    assert learned.table("checks")["session"].to_list() == [session]  # no other one again
    assert findings(learned, session)

    # which leads to the queue, at the worst of this session
    keys.press("Enter")
    expect(page.locator("#finding-keep")).to_be_visible(timeout=NEXT_S)
    keys.tab_to("#reviewer-name", most=60)
    keys.say("R. Moss")
    keys.press("Tab")
    expect(page.locator("#queue-count")).to_contain_text("in 1 session.")
    keys.press("v")
    for _ in range(MOST_FINDINGS):
        expect(page.locator("#finding-verdict input").first).to_be_focused(timeout=NEXT_S)
        was = page.locator("#queue-count").inner_text()
        keys.press("Space")  # explained
        keys.tab_to("#finding-cause")
        keys.say("a stuck sensor")
        keys.press("Tab")
        keys.press("ArrowRight", 2)  # no nonconformance
        keys.press("Control+Enter")
        expect(page.locator("#queue-count")).not_to_have_text(was, timeout=NEXT_S)
        if page.locator("#finding-keep").count() == 0:
            break
    expect(page.locator(".queue-main")).to_contain_text("Nothing waits in " + session)
    assert all(d.complete for d in dispositions(learned, session).values())

    # and sign
    keys.press("g")
    expect(page.locator("#signoff-sign")).to_be_visible(timeout=NEXT_S)
    keys.tab_to("#signoff-read input", most=60)
    keys.press("Space")
    keys.press("Control+Enter")
    expect(page.locator(".signoff-state")).to_have_text("Signed.", timeout=NEXT_S)
    signed = sign_off(learned, session)
    assert signed is not None
    assert [s.by for s in signed.signatures] == ["R. Moss"]
    assert {f.finding for f in signed.findings} == set(signed.dispositions)
    assert prove(learned).whole

    # and hand on the report of what was signed
    link = 'a.button[href$="/report?form=html"]'
    keys.tab_to(link, most=60)
    with page.expect_popup() as opened:
        keys.press("Enter")
    report = opened.value
    expect(report.locator("body")).to_contain_text("R. Moss", timeout=NEXT_S)
    expect(report.locator("body")).to_contain_text("a stuck sensor")
    expect(report.locator("body")).to_contain_text(session)
    print(f"{len(signed.findings)} findings, presses {keys.presses}, letters {keys.letters}")


def to_button(keys: Keys, words: str) -> None:
    """Tab until the button of these words has the focus."""
    for _ in range(60):  # a table of sessions is one stop, however long it is
        if keys.page.evaluate("document.activeElement.textContent") == words:
            return
        keys.press("Tab")
    raise AssertionError(f"no button {words!r} is reached by Tab")
