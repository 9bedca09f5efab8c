"""Every plot is kept as PNG and SVG, every table as CSV and Parquet: on each page, each button."""

from __future__ import annotations

import io
from pathlib import Path

import polars as pl
import pytest
from playwright.sync_api import Page, expect

from replay.archive import Archive
from tests.pages.test_accessibility import PAGES
from tests.pages.test_replay import Open, opened

LEAST = {
    "library": (0, 1),
    "event": (4, 6),
    "wear": (0, 1),
    "review": (0, 1),
    "compare": (3, 1),
    "baseline": (1, 1),
}
"""How many plots and how many tables a page offers at least."""


def whole(form: str, body: bytes) -> None:
    if form == "PNG":
        assert body.startswith(b"\x89PNG\r\n")
        assert body.rstrip().endswith(b"IEND\xaeB`\x82")
    elif form == "SVG":
        assert body.startswith(b"<svg")
        assert body.rstrip().endswith(b"</svg>")
        assert body.count(b"<path") >= 3
    elif form == "Parquet":
        assert pl.read_parquet(io.BytesIO(body)).width > 1
    else:
        assert pl.read_csv(io.BytesIO(body), infer_schema=False).width > 1


def pressed(page: Page, control: str) -> bytes:
    with page.expect_download(timeout=45_000) as download:
        page.locator(control).click()
    return Path(download.value.path()).read_bytes()


@pytest.mark.parametrize("name", list(LEAST))
def test_everything_on_a_page_can_be_kept(visit: Open, heron: Archive, name: str) -> None:
    path, ready = PAGES[name]
    tab = visit(heron)
    page = tab.go(path)
    expect(page.locator(ready).first).to_be_visible(timeout=45_000)
    folded = page.locator("main details:not([open]) > summary")
    while folded.count():  # what a page keeps folded is kept too
        folded.first.click()
    page.wait_for_timeout(1500)
    plots = page.locator(".figure-card-save")
    if LEAST[name][0]:  # sections are filled one after the other
        expect(plots.nth(2 * LEAST[name][0] - 1)).to_be_attached(timeout=45_000)
    names = plots.evaluate_all(
        "(all) => all.map((b) => [b.closest('.figure-card').dataset.card, b.dataset.format])"
    )
    for card, form in names:
        control = f".figure-card[data-card='{card}'] .figure-card-save[data-format='{form}']"
        whole(form.upper(), pressed(page, control))
    links = page.locator("a[href^='/data/']").evaluate_all(
        "(all) => all.map((a) => [a.textContent, a.getAttribute('href'), a.ariaLabel])"
    )
    for form, address, _ in links:
        answer = page.request.get(tab.base + address)
        assert answer.status == 200, address
        whole(form, answer.body())
    least_plots, least_tables = LEAST[name]
    assert len(names) >= 2 * least_plots
    assert {f for _, f in names} <= {"png", "svg"}
    assert len(links) >= 2 * least_tables
    assert all(words for _, _, words in links)  # a reader without eyes hears what is saved
    assert tab.errors == []


def test_everything_of_the_replay_can_be_kept(visit: Open, heron: Archive) -> None:
    tab = opened(visit, heron, "&from=2031-03-03T09:00:50Z&to=2031-03-03T09:01:00Z&front=J7")
    page = tab.page
    page.keyboard.press("m")
    page.keyboard.press("Shift+ArrowRight")
    page.get_by_text("Keep", exact=True).click()
    for what in ("plots", "plane", "posture"):
        whole("PNG", pressed(page, f"#rp-png-{what}"))
        whole("SVG", pressed(page, f"#rp-svg-{what}"))
    for what in ("", "-measure"):
        whole("CSV", pressed(page, f"#rp-csv{what}"))
        whole("Parquet", pressed(page, f"#rp-parquet{what}"))
    assert tab.errors == []
