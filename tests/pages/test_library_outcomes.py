"""What work in the background leaves is told to who began it, and can be begun again."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from dashboards.components.library_page.taken_in import taken_in
from dashboards.pages.library_pages.outcomes import MOST_KEPT, Outcomes
from dashboards.queries import baselines, work
from dashboards.queries.intake import IngestResult
from replay.archive import open_archive
from replay.errors import UsageError
from replay.records import Session
from tests.pages.conftest import Held, Visit
from tests.pages.test_library import T0, plain_log

Open = Callable[..., Visit]
TAKEN = IngestResult(
    sessions=(
        Session(
            session="s-new",
            source="a.csv",
            arm="Heron",
            rows=1000,
            start=T0,
            end=T0 + timedelta(minutes=10),
            joints=("J1",),
            units={"J1": "TU-1"},
            channels={"main": ()},
            completeness=1.0,
        ),
    )
)
NEXT = IngestResult(sessions=(replace(TAKEN.sessions[0], session="s-next"),))


TOLD = ("library-outcome.children", "jobs-done")
"""What a page sends that asks what became of what it began."""
FRAMES = "new Promise(go => requestAnimationFrame(() => requestAnimationFrame(go)))"


def taking_in(page: Page, log: Path) -> None:
    """Choose a log and say yes to the sheet."""
    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name="Choose files").click()
    chooser.value.set_files([log])
    expect(page.locator(".intake-sheet")).to_be_visible(timeout=45_000)
    page.get_by_role("button", name="Take in").click()
    expect(page.locator(".intake-sheet")).to_have_count(0)


def test_what_became_of_the_files_is_told_to_who_brought_them(
    visit: Open, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive, go = open_archive(tmp_path / "archive", create=True), threading.Event()

    def taken(*words: Any) -> IngestResult:
        assert go.wait(60)
        return TAKEN

    monkeypatch.setattr(work, "take_in", taken)
    mine, other = visit(archive).go("/library"), visit(archive).go("/library")
    deaf = Held(mine, "jobs-tray")  # the other one hears first that the job has ended
    taking_in(mine, plain_log(tmp_path / "a.csv"))
    other.evaluate("window.dash_clientside.set_props('jobs-beat', { disabled: false })")
    expect(other.locator(".job.running")).to_be_visible()
    go.set()
    with other.expect_response(lambda r: "library-outcome" in (r.request.post_data or "")):
        expect(other.locator(".job.done")).to_be_visible()
    deaf.arrive()
    expect(mine.locator("#library-outcome")).to_contain_text("What became of the files")
    expect(mine.locator("#library-outcome")).to_contain_text("s-new")
    expect(other.locator("#library-outcome")).to_be_empty()


def test_an_outcome_whose_answer_got_lost_is_told_to_who_comes_back(
    visit: Open, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(work, "take_in", lambda *words: TAKEN)
    page = visit(open_archive(tmp_path / "archive", create=True)).go("/library")
    lost = Held(page, *TOLD, given=True)
    taking_in(page, plain_log(tmp_path / "a.csv"))
    expect(page.locator(".job.done")).to_be_visible()
    elsewhere, back = (page.locator(f"a.thumb[data-page={n}]") for n in ("baseline", "library"))
    elsewhere.click()
    expect(page.locator("#library-outcome")).to_have_count(0)
    lost.lose()
    back.click()
    expect(page.locator("#library-outcome")).to_contain_text("What became of the files")
    page.wait_for_function("sessionStorage.getItem('library-started') === '[]'")
    elsewhere.click()
    expect(page.locator("#library-outcome")).to_have_count(0)
    with page.expect_response(lambda r: "library-find" in (r.text() or "")):
        back.click()
    expect(page.locator("#library-outcome")).to_be_empty()  # told once


def test_who_left_and_came_back_is_told_all_that_ended_and_can_check_each(
    visit: Open, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    results = [TAKEN, NEXT]
    asked: list[list[str]] = []
    checks, go, done = threading.Event(), threading.Event(), threading.Event()

    def taken(*words: Any) -> IngestResult:
        assert go.wait(60)
        return results.pop(0)

    def check(archive: object, names: list[str], step: object) -> str:
        asked.append(names)
        done.set()
        assert checks.wait(60)
        return "checked"

    monkeypatch.setattr(work, "take_in", taken)
    monkeypatch.setattr(work, "check", check)
    monkeypatch.setattr(baselines, "not_judged", lambda *words: {})
    page = visit(open_archive(tmp_path / "archive", create=True)).go("/library")
    taking_in(page, plain_log(tmp_path / "a.csv"))
    taking_in(page, plain_log(tmp_path / "b.csv"))
    page.locator("a.thumb[data-page=baseline]").click()
    expect(page.locator("#library-outcome")).to_have_count(0)
    go.set()
    expect(page.locator(".job.done")).to_have_count(2)
    page.locator("a.thumb[data-page=library]").click()
    said = page.locator("#library-outcome .message")
    expect(said).to_have_count(2)
    buttons = page.locator(".check-taken")
    said.filter(has_text="s-next").locator(buttons).click()
    assert done.wait(60)
    assert asked == [["s-next"]]
    expect(said.filter(has_text="s-new").locator(buttons)).to_be_enabled()
    expect(said.filter(has_text="s-next").locator(buttons)).to_be_disabled()
    checks.set()
    expect(page.locator("#library-outcome")).to_contain_text("s-next: no finding waits")


def test_a_late_answer_takes_nothing_off_the_list_that_was_begun_meanwhile(
    visit: Open, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    results, first, go = [TAKEN, NEXT], threading.Event(), threading.Event()

    def taken(*words: Any) -> IngestResult:
        if first.is_set():
            assert go.wait(60)
        first.set()
        return results.pop(0)

    monkeypatch.setattr(work, "take_in", taken)
    page = visit(open_archive(tmp_path / "archive", create=True)).go("/library")
    late = Held(page, *TOLD, given=True, most=1)
    taking_in(page, plain_log(tmp_path / "a.csv"))
    expect(page.locator(".job.done")).to_be_visible()
    taking_in(page, plain_log(tmp_path / "b.csv"))
    expect(page.locator(".job.running")).to_be_visible()
    with page.expect_response(lambda r: "jobs-done" in (r.request.post_data or "")) as arrived:
        late.arrive()
    arrived.value.finished()
    page.evaluate(FRAMES)  # it is read
    go.set()
    expect(page.locator("#library-outcome")).to_contain_text("s-next")


def test_a_check_that_failed_is_told_and_can_be_asked_for_again(
    visit: Open, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[list[str]] = []

    def check(archive: object, names: list[str], step: object) -> str:
        asked.append(names)
        if len(asked) == 1:
            raise UsageError("there is no baseline", todo="learn one first")
        return "1 checked"

    monkeypatch.setattr(work, "take_in", lambda *words: TAKEN)
    monkeypatch.setattr(work, "check", check)
    monkeypatch.setattr(baselines, "not_judged", lambda *words: {})
    page = visit(open_archive(tmp_path / "archive", create=True)).go("/library")
    taking_in(page, plain_log(tmp_path / "a.csv"))
    said, button = page.locator("#library-outcome"), page.locator(".check-taken")
    button.click()
    expect(said).to_contain_text("there is no baseline (learn one first)")
    expect(button).to_be_enabled()
    button.click()
    expect(said).to_contain_text("s-new: no finding waits")
    assert asked == [["s-new"], ["s-new"]]


def test_no_check_is_offered_of_an_arm_that_the_baseline_does_not_know(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    archive: Any = None
    both = (TAKEN.sessions[0], replace(NEXT.sessions[0], arm="Egret", units={"J1": "TU-9"}))
    known = SimpleNamespace(version="b3-0a", units={"TU-1": None})
    monkeypatch.setattr(baselines, "newest", lambda archive: (known, ""))
    unknown = baselines.not_judged(archive, both)
    assert list(unknown) == ["s-next"]
    assert "b3-0a knows no unit of arm 'Egret'" in unknown["s-next"]
    said = str(taken_in(IngestResult(sessions=both), "o", unknown))
    assert "Check this session" in said  # the other one
    assert "learn from them; then check" in said
    alone = str(taken_in(IngestResult(sessions=both[1:]), "o", unknown))
    assert "check-taken" not in alone
    assert "Choose sound sessions of this arm in the list" in alone
    monkeypatch.setattr(baselines, "newest", lambda archive: (None, "none yet"))
    assert "no baseline to check it by" in baselines.not_judged(archive, both)["s-new"]


def test_all_outcomes_are_told_to_their_tab_and_the_oldest_are_dropped() -> None:
    outcomes = Outcomes()
    mine, theirs = outcomes.begin(), outcomes.begin()
    outcomes.say(theirs, "theirs")
    assert outcomes.of([mine]) == {}
    outcomes.say(mine, "mine")
    assert outcomes.of([mine, "later"]) == {mine: "mine"}
    assert list(outcomes.of([mine, theirs])) == [theirs, mine]
    for _ in range(MOST_KEPT):
        outcomes.say(outcomes.begin(), "of a closed tab")
    assert outcomes.of([theirs]) == {}
