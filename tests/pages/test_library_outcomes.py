"""What work in the background leaves is told to who began it, and can be begun again."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, Route, expect

from dashboards.pages.library_pages.outcomes import MOST_KEPT, Outcomes
from dashboards.queries import work
from dashboards.queries.intake import IngestResult
from replay.archive import open_archive
from replay.errors import UsageError
from replay.records import Session
from tests.pages.conftest import Visit
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


def taking_in(page: Page, log: Path) -> None:
    """Choose a log and say yes to the sheet."""
    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name="Choose files").click()
    chooser.value.set_files([log])
    expect(page.locator(".intake-sheet")).to_be_visible(timeout=45_000)
    page.get_by_role("button", name="Take in").click()
    expect(page.locator("#library-outcome")).to_contain_text("Taking the logs in")


class Deaf:
    """A page that is not told how jobs go until it is let hear."""

    def __init__(self, page: Page) -> None:
        self.deaf, self.routes = True, list[Route]()
        page.route("**/_dash-update-component*", self._take)

    def _take(self, route: Route) -> None:
        if self.deaf and "jobs-tray" in (route.request.post_data or ""):
            self.routes.append(route)
        else:
            route.continue_()

    def hear(self) -> None:
        self.deaf = False
        for route in self.routes:
            route.continue_()


def test_what_became_of_the_files_is_told_to_who_brought_them(
    visit: Open, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive, go = open_archive(tmp_path / "archive", create=True), threading.Event()

    def taken(*words: Any) -> IngestResult:
        assert go.wait(60)
        return TAKEN

    monkeypatch.setattr(work, "take_in", taken)
    mine, other = visit(archive).go("/library"), visit(archive).go("/library")
    deaf = Deaf(mine)  # the other one hears first that the job has ended
    taking_in(mine, plain_log(tmp_path / "a.csv"))
    other.evaluate("window.dash_clientside.set_props('jobs-beat', { disabled: false })")
    expect(other.locator(".job.running")).to_be_visible()
    go.set()
    with other.expect_response(lambda r: "library-outcome" in (r.request.post_data or "")):
        expect(other.locator(".job.done")).to_be_visible()
    deaf.hear()
    expect(mine.locator("#library-outcome")).to_contain_text("What became of the files")
    expect(mine.locator("#library-outcome")).to_contain_text("s-new")
    expect(other.locator("#library-outcome")).to_be_empty()


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
    page = visit(open_archive(tmp_path / "archive", create=True)).go("/library")
    taking_in(page, plain_log(tmp_path / "a.csv"))
    said, button = page.locator("#library-outcome"), page.locator("#library-check-taken")
    button.click()
    expect(said).to_contain_text("there is no baseline (learn one first)")
    expect(button).to_be_enabled()
    button.click()
    expect(said).to_contain_text("s-new: no finding waits")
    assert asked == [["s-new"], ["s-new"]]


def test_an_outcome_is_told_once_and_the_oldest_are_dropped() -> None:
    outcomes = Outcomes()
    mine, theirs = outcomes.begin(), outcomes.begin()
    outcomes.say(theirs, "theirs")
    assert outcomes.take([mine]) == (None, [mine])
    outcomes.say(mine, "mine")
    assert outcomes.take([mine, "later"]) == ("mine", ["later"])
    assert outcomes.take([mine]) == (None, [mine])
    for _ in range(MOST_KEPT):
        outcomes.say(outcomes.begin(), "of a closed tab")
    assert outcomes.take([theirs]) == (None, [theirs])
