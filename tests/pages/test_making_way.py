"""Background work of the replay lets people pass, and nothing else: its end always comes."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

import pytest

from dashboards import ids
from dashboards.app import create_app
from dashboards.queries.session import derived
from dashboards.queries.session.derived import Blocks, Derived
from replay.archive import Archive

SESSION = "20310303-heron"
POLL = {
    "output": "..jobs-tray.children...jobs-beat.disabled...jobs-done.data..",
    "outputs": [
        {"id": ids.JOBS_TRAY, "property": "children"},
        {"id": ids.JOBS_BEAT, "property": "disabled"},
        {"id": ids.JOBS_DONE, "property": "data"},
    ],
    "inputs": [{"id": ids.JOBS_BEAT, "property": "n_intervals", "value": 3}, [], []],
    "state": [{"id": ids.JOBS_DONE, "property": "data", "value": []}],
    "changedPropIds": [f"{ids.JOBS_BEAT}.n_intervals"],
}
OPENING = {
    "output": "page.children",
    "outputs": {"id": ids.PAGE, "property": "children"},
    "inputs": [
        {"id": ids.URL, "property": "pathname", "value": "/handbook"},
        {"id": ids.URL, "property": "search", "value": ""},
    ],
    "changedPropIds": [f"{ids.URL}.pathname"],
}


@pytest.fixture
def asked(heron: Archive, monkeypatch: pytest.MonkeyPatch) -> Callable[..., int]:
    """Ask the dashboard for something; returns how often background work was told to wait."""
    calls: list[float] = []
    monkeypatch.setattr(Derived, "make_way", lambda self: calls.append(0.0))
    client = create_app(heron).server.test_client()

    def ask(path: str, body: object = None) -> int:
        calls.clear()
        answer = client.get(path) if body is None else client.post(path, json=body)
        assert answer.status_code in (200, 204), (path, answer.status_code)
        return len(calls)

    return ask


def test_background_work_waits_for_people_and_not_for_what_asks_by_itself(
    asked: Callable[..., int],
) -> None:
    update = "/_dash-update-component"
    window = f"/data/replay/{SESSION}/%s?from=0&to=20"
    for path, body in (("/library", None), (update, OPENING), (window % "window", None)):
        assert asked(path, body) == 1, path
    for path, body in (
        (update, POLL),
        (window % "derived", None),
        ("/data/frame/ours.js", None),
        ("/api/v1/sessions", None),
    ):
        assert asked(path, body) == 0, path


def test_work_that_is_stopped_does_not_wait_for_people_to_pass(heron: Archive) -> None:
    work, blocks = Derived(heron), Blocks(asked_at=time.monotonic())
    work.make_way()
    blocks.stop.set()
    before = time.monotonic()
    assert not work.let_pass(blocks)
    assert time.monotonic() - before < derived.MAKES_WAY_S / 2


def test_work_goes_on_in_the_end_however_many_pass(
    heron: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(derived, "MAKES_WAY_AT_MOST_S", 0.3)
    work, blocks = Derived(heron), Blocks(asked_at=time.monotonic())
    work.make_way()
    work._in_hand += 3600.0  # requests that never end
    went_on: list[bool] = []
    waiting = threading.Thread(target=lambda: went_on.append(work.let_pass(blocks)), daemon=True)
    waiting.start()
    waiting.join(10.0)
    assert went_on == [True]


def test_a_session_is_filled_while_a_job_is_followed(
    heron: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The tray asks every 700 ms while a job runs; derived channels get done all the same."""
    monkeypatch.setattr(derived, "DIRECT_ROWS", 10)
    monkeypatch.setattr(derived, "MAKES_WAY_AT_MOST_S", 3600.0)
    client = create_app(heron).server.test_client()
    path, done = f"/data/replay/{SESSION}/derived?from=0&to=240", False
    end = time.monotonic() + 30.0
    while not done and time.monotonic() < end:
        client.post("/_dash-update-component", json=POLL)
        done = b'"share":1.0' in client.get(path).data.replace(b" ", b"")
        time.sleep(0.3)
    assert done
