"""The comparison in a real browser."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest
from playwright.sync_api import Page, expect

from dashboards.pages.compare_pairs import pair_words
from replay.archive import Archive
from replay.signals.motion.pairing import compare_sessions
from tests.pages.conftest import Visit

A, B = "20310301-heron", "20310303-heron"
Open = Callable[..., Visit]


def opened(visit: Open, archive: Archive, query: str = "") -> Visit:
    tab = visit(archive)
    page = tab.go(f"/compare?session={A}&with={B}{query}")
    expect(page.locator("#compare-differences .main-svg").first).to_be_visible(timeout=45_000)
    return tab


def shown(page: Page, plot: str) -> list[str]:
    return page.evaluate(
        "(id) => document.querySelector('#' + id + ' .js-plotly-plot').data.map((t) => t.name)",
        plot,
    )


def test_differences_stand_by_joint_with_their_intervals(visit: Open, heron: Archive) -> None:
    tab = opened(visit, heron)
    page = tab.page
    table, pairs = compare_sessions(heron, A, B)
    expect(page.locator("#compare-differences-words")).to_contain_text(f"{pairs.height} pairs")
    page.get_by_text("All differences as a table").click()
    rows = page.locator("#compare-differences-words tbody tr")
    expect(rows).to_have_count(table.height)
    first = table.row(0, named=True)
    expect(rows.first).to_contain_text(f"{first['difference']:.3f}")
    expect(page.locator(".caution")).to_contain_text("a question, not a finding")
    assert tab.errors == []


def test_joint_pair_and_quantity_are_in_the_address(visit: Open, heron: Archive) -> None:
    _, pairs = compare_sessions(heron, A, B)
    joint = pairs["joint"].mode().sort()[0]
    page = opened(visit, heron, f"&joints={joint}").page
    expect(page.locator("#compare-overlay-words")).to_contain_text("distance", timeout=45_000)
    assert set(shown(page, "compare-overlay")) == {"2031-03-01 09:00", "2031-03-03 09:00"}
    page.locator("#compare-by").click()
    page.get_by_role("option", name="rate, deg/s").click()
    page.wait_for_function("location.search.includes('by=rate_deg_s')")
    assert f"joints={joint}" in page.url
    page.reload()
    expect(page.locator("#compare-overlay")).to_contain_text("rate, deg/s", timeout=45_000)
    expect(page.locator("#compare-joint-words")).to_contain_text(f"{joint}:")


def test_a_span_of_each_session_can_be_compared(visit: Open, heron: Archive) -> None:
    page = opened(visit, heron).page
    page.get_by_text("Spans (whole sessions unless said)").click()
    page.get_by_label("First from s").fill("0")
    page.locator("#compare-span-1b").fill("100")
    page.get_by_role("button", name="Compare these").click()
    page.wait_for_url(re.compile("from=2031-03-01T09:00:00.000Z&to=2031-03-01T09:01:40.000Z"))
    whole = compare_sessions(heron, A, B)[1].height
    expect(page.locator("#compare-differences-words")).to_contain_text("1 pair of motions;")
    text = page.locator("#compare-differences-words p").inner_text()
    assert int(text.split(" ")[0]) <= whole


def test_a_session_beside_itself_differs_nowhere(visit: Open, heron: Archive) -> None:
    page = visit(heron).go(f"/compare?session={A}&with={A}")
    words = page.locator("#compare-differences-words")
    expect(words).to_contain_text("No joint's motor current differs", timeout=45_000)
    said = words.inner_text()  # it speaks of joints that have an interval, and names the others
    table = compare_sessions(heron, A, A)[0]
    current = table.filter(table["quantity"] == "motor current, size")
    told = said.partition("of those that have one: ")[2].partition(".")[0].split(", ")
    assert told == current.filter(current["differs"].is_not_null())["joint"].to_list()
    without = current.filter(current["differs"].is_null())["joint"].to_list()
    assert all(joint in said.partition("Too few pairs")[2] for joint in without)


def test_the_differences_are_saved(visit: Open, heron: Archive) -> None:
    page = opened(visit, heron).page
    with page.expect_download() as download:
        page.get_by_role("link", name="Save the differences as Parquet").click()
    rows = pl.read_parquet(io.BytesIO(Path(download.value.path()).read_bytes()))
    assert rows.height == compare_sessions(heron, A, B)[0].height


@pytest.mark.parametrize(
    ("second_a", "words"),
    [
        (1.84, "the second's 0.09 A smaller."),
        (2.03, "the second's 0.10 A larger."),
        (1.93, "the same to 0.01 A."),
    ],
)
def test_a_difference_of_sizes_is_said_as_one(second_a: float, words: str) -> None:
    at = datetime(2031, 3, 1, 9, 4, 7, 600_000, tzinfo=UTC)
    said = pair_words(
        {
            "current_abs_a_first": 1.93,
            "current_abs_a_second": second_a,
            "first_start": at,
            "second_start": at,
            "distance": 2.3,
        }
    )
    assert said.startswith("First at 09:04:08, second at 09:04:08. How unlike the two motions are")
    assert "size of the current, its sign left out" in said
    assert said.endswith(words)
    assert "-0.09" not in said


def test_one_session_alone_is_told_in_words(visit: Open, tmp_path: Path) -> None:
    from replay.archive import open_archive

    page = visit(open_archive(tmp_path / "a", create=True)).go("/compare")
    expect(page.locator(".message")).to_contain_text("needs two sessions")
