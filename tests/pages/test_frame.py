"""The frame without a browser: addresses, jobs, what leaves the server, packing."""

from __future__ import annotations

import gzip
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import numpy as np
import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboards import links, wire
from dashboards.app import create_app
from dashboards.figures.packing import group_points, pack
from dashboards.jobs import Jobs, JobState, Step
from dashboards.theme import DARK, LIGHT, joint_colour, joint_mark
from replay.archive import Archive
from replay.errors import ArchiveError, UsageError

NS = st.integers(min_value=0, max_value=4_000_000_000_000_000_000)
WORD = st.text(st.characters(blacklist_categories=("Cs",)), min_size=1, max_size=12)


def until(true: Callable[[], bool], seconds: float = 5.0) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "did not happen in time"
        time.sleep(0.01)


# addresses --------------------------------------------------------------------


@given(session=WORD, start=NS, at=NS, flag=WORD)
def test_an_address_reads_back_as_the_view_it_was_made_from(
    session: str, start: int, at: int, flag: str
) -> None:
    view = links.View(session=session, start_ns=start, at_ns=at, joints=("J1", "J7"), flag=flag)
    address = links.href("replay", view, front="J7")
    page, _, search = address.partition("?")
    again = links.read("?" + search)
    assert page == "/replay"
    assert (again.session, again.start_ns, again.at_ns) == (session, start, at)
    assert (again.joints, again.flag, again.extra) == (("J1", "J7"), flag, {"front": "J7"})


@given(st.text(max_size=40))
def test_any_address_can_be_typed_without_harm(text: str) -> None:
    view = links.read("?at=" + text + "&from=" + text)
    assert view.at_ns is None or isinstance(view.at_ns, int)


def test_instants_keep_their_nanoseconds() -> None:
    assert links.instant(links.parse_instant("2031-03-01T00:00:00.000000001Z") or 0).endswith(
        "00.000000001Z"
    )
    assert links.to_ns(datetime(2031, 3, 1, tzinfo=UTC)) == links.parse_instant(
        "2031-03-01T00:00:00Z"
    )
    assert links.parse_instant("2031-02-30T00:00:00Z") is None


# jobs ---------------------------------------------------------------------------


def the(jobs: Jobs, job: str) -> JobState:
    return next(s for s in jobs.states() if s.job == job)


def test_a_job_reports_and_ends_with_its_result() -> None:
    jobs, go = Jobs(), threading.Event()

    def work(step: Step) -> str:
        for item in step.wrap([1, 2, 3, 4], what="log"):
            if item == 2:
                go.wait(5)
        return "took 4 logs"

    job = jobs.start("Taking logs in", work)
    until(lambda: the(jobs, job).share == 0.25)
    assert the(jobs, job).text == "log 2 of 4"
    go.set()
    until(lambda: the(jobs, job).state == "done")
    assert (the(jobs, job).text, the(jobs, job).share) == ("took 4 logs", 1.0)


def test_a_cancelled_job_stops_at_its_next_step() -> None:
    jobs, reached = Jobs(), []

    def work(step: Step) -> str:
        for n in range(1000):
            step(n, 1000)
            reached.append(n)
            time.sleep(0.005)
        return "all"

    job = jobs.start("Learning", work)
    until(lambda: len(reached) > 3)
    jobs.cancel(job)
    until(lambda: the(jobs, job).state == "cancelled")
    assert len(reached) < 900
    assert "kept" in the(jobs, job).text


def test_a_failed_job_says_why_in_words() -> None:
    jobs = Jobs()

    def refused(step: Step) -> str:
        raise UsageError("no such thing", todo="ask for another")

    def broken(step: Step) -> str:
        raise ZeroDivisionError("x")

    first, second = jobs.start("a", refused), jobs.start("b", broken)
    until(lambda: all(s.state == "failed" for s in jobs.states()))
    assert the(jobs, first).text == "no such thing (ask for another)"
    assert "ZeroDivisionError" in the(jobs, second).text
    jobs.forget_ended()
    assert jobs.states() == []


# what leaves the server -----------------------------------------------------------


def test_answers_are_compressed_and_bound_to_this_origin(heron: Archive) -> None:
    client = create_app(heron).server.test_client()
    packed = client.get("/assets/00_frame.js", headers={"Accept-Encoding": "gzip"})
    plain = client.get("/assets/00_frame.js")
    assert packed.headers["Content-Encoding"] == "gzip"
    assert gzip.decompress(packed.data) == plain.data
    assert len(packed.data) < len(plain.data) / 2
    for answer in (packed, plain):
        assert "default-src 'self'" in answer.headers["Content-Security-Policy"]
        assert answer.headers["X-Content-Type-Options"] == "nosniff"


def test_other_host_names_are_turned_away(heron: Archive) -> None:
    """A page elsewhere that points its own name here gets nothing."""
    app = create_app(heron)
    wire.trust_only(app.server, ["127.0.0.1", "localhost"])
    client = app.server.test_client()
    assert client.get("/", base_url="http://127.0.0.1:8050").status_code == 200
    assert client.get("/", base_url="http://elsewhere.test:8050").status_code == 400


def test_no_archive_is_said_at_once(tmp_path: Any) -> None:
    with pytest.raises(ArchiveError, match="no archive here"):
        create_app(tmp_path)


@pytest.mark.parametrize(
    ("path", "status", "words"),
    [
        ("nobody/window", 404, "nobody"),
        ("20310303-heron/window?from=9&to=3", 404, "empty"),
        ("20310303-heron/window?from=north", 404, "not a number"),
        ("20310303-heron/plane?joint=J99", 404, "J99"),
    ],
)
def test_wrong_questions_are_answered_in_words(
    heron: Archive, path: str, status: int, words: str
) -> None:
    answer = create_app(heron).server.test_client().get("/data/replay/" + path)
    assert answer.status_code == status
    assert words in answer.get_json()["error"]


# packing ---------------------------------------------------------------------------


def unpack(data: bytes) -> dict[str, Any]:
    """What the browser does, in Python."""
    length = int.from_bytes(data[:4], "little")
    header: dict[str, Any] = orjson.loads(data[4 : 4 + length])
    assert (4 + length) % 8 == 0
    body = data[4 + length :]
    for group in header["groups"]:
        n = group["n"]
        group["t"] = np.frombuffer(body, "<f8", n, group["t"])
        group["series"] = {
            k: [np.frombuffer(body, "<f4", n, at) for at in places]
            for k, places in group["series"].items()
        }
    return header


@given(st.integers(1, 4000), st.integers(16, 300), st.randoms(use_true_random=False))
def test_no_extreme_is_lost_and_every_one_stays_in_its_column(n: int, columns: int, r: Any) -> None:
    rng = np.random.default_rng(r.randrange(2**32))
    time_ns = np.sort(rng.integers(0, 10**10, n))
    values = rng.normal(size=n).astype(np.float32)
    values[rng.random(n) < 0.05] = np.nan
    start, end, zero = 0, 10**10, 5 * 10**8
    got = unpack(
        pack(
            group_points(
                {"J1.current_a": (time_ns, values)},
                zero_ns=zero,
                start_ns=start,
                end_ns=end,
                columns=columns,
            ),
            to=1.5,
        )
    )
    (group,) = got["groups"]
    low, high = group["series"]["J1.current_a"][0], group["series"]["J1.current_a"][-1]
    assert got["to"] == 1.5
    filled = low <= high
    if np.isfinite(values).any():
        assert low[filled].min() == np.nanmin(values)
        assert high[filled].max() == np.nanmax(values)
        at = time_ns[np.nanargmax(values)]
        where = group["t"][filled][np.argmax(high[filled])]
        assert abs(where - (at - zero) / 1e9) <= 10.0 / columns
    assert group["samples"] == (n <= columns)


def test_every_joint_has_its_own_pair_of_colour_and_mark() -> None:
    pairs = {(joint_colour(n), joint_mark(n)) for n in range(14)}
    assert len(pairs) == 14


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2, https://www.w3.org/TR/WCAG22/#dfn-relative-luminance."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("theme", [LIGHT, DARK])
def test_words_stand_out_from_the_sheet(theme: dict[str, str]) -> None:
    """WCAG 2.2, 1.4.3: a contrast of at least 4.5 to 1."""
    for ink in ("ink", "faint", "accent", "note", "look", "act"):
        for paper in ("paper", "sheet"):
            bright, dim = sorted((luminance(theme[ink]), luminance(theme[paper])), reverse=True)
            assert (bright + 0.05) / (dim + 0.05) >= 4.5, (ink, paper)
