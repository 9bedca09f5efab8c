"""The document that pages are drawn into: few requests, the grid's program late."""

from __future__ import annotations

import re
import threading
from collections.abc import Callable

import pytest
from playwright.sync_api import expect

from dashboards import shell, wire
from dashboards.app import create_app
from dashboards.queries import wear
from replay.archive import Archive
from tests.pages.conftest import Visit

GRID_PROGRAM = "dash_ag_grid.v"


def document(archive: Archive, path: str) -> str:
    client = create_app(archive).server.test_client()
    return str(client.get(path).get_data(as_text=True))


def test_our_scripts_and_style_sheets_are_one_file_each(heron: Archive) -> None:
    text = document(heron, "/replay")
    assert "/assets/" not in text
    client = create_app(heron).server.test_client()
    for kind, words in (("js", "jb.address"), ("css", ".rp-stack")):
        address = shell.address(kind)
        assert address in text
        answer = client.get(address)
        assert words in answer.get_data(as_text=True)
        assert "immutable" in answer.headers["Cache-Control"]
    assert client.get("/data/frame/ours.py").status_code == 404


def test_the_grids_program_is_no_script_of_the_document(heron: Archive) -> None:
    scripts = re.findall(r'<script src="([^"]+)"', document(heron, "/replay"))
    assert len(scripts) < 10
    assert not [s for s in scripts if "ag_grid" in s or "dash_table" in s]
    assert not re.search(r'rel="[^>]*ag_grid', document(heron, "/wear"))
    assert re.search(r'rel="preload"[^>]*ag_grid', document(heron, "/library"))


def test_what_a_first_visitor_asks_for_is_compressed_before(heron: Archive) -> None:
    app = create_app(heron)
    wire._pack_once.cache_clear()
    shell.warm(app).join()
    before = wire._pack_once.cache_info()
    client = app.server.test_client()
    scripts = re.findall(r'<script src="([^"]+)"', document(heron, "/replay"))
    for script in scripts:
        client.get(script, headers={"Accept-Encoding": "gzip"})
    after = wire._pack_once.cache_info()
    assert len(scripts) > 5
    assert (after.misses, after.hits) == (before.misses, before.hits + len(scripts) - 1)
    # React's property types are smaller than what is worth compressing


def test_the_grid_comes_when_the_library_is_reached_from_another_page(
    visit: Callable[..., Visit], heron: Archive
) -> None:
    tab = visit(heron)
    page = tab.go("/wear")
    page.wait_for_selector("h1")
    page.wait_for_timeout(300)
    assert page.evaluate("document.querySelectorAll('script[src*=ag_grid]').length") == 0
    page.click("a.thumb[data-page=library]")
    page.wait_for_selector(".ag-row a")
    page.wait_for_function(
        "() => document.querySelector('.ag-row-selected') === null"
        " && document.querySelectorAll('.ag-row .ag-selection-checkbox').length > 0"
    )
    page.locator(".ag-row .ag-selection-checkbox input").first.click()
    page.wait_for_selector("#library-replay:not([disabled])")
    expect(page.locator(".ag-header-cell[col-id=source]")).to_have_count(0)  # for wide screens
    assert tab.errors == []


def test_a_grid_program_that_does_not_arrive_is_said(
    visit: Callable[..., Visit], heron: Archive
) -> None:
    tab = visit(heron)
    tab.page.route("**/dash_ag_grid.*", lambda route: route.abort())
    page = tab.go("/library")
    page.wait_for_selector("#library-grid:has-text('did not arrive')")


def test_an_address_that_is_no_page_answers_404(heron: Archive) -> None:
    client = create_app(heron).server.test_client()
    assert client.get("/nosuch", base_url="http://localhost").status_code == 404
    for name in ("/", "/library", "/replay?session=20310303-heron", "/handbook"):
        assert client.get(name, base_url="http://localhost").status_code == 200


def test_a_page_that_takes_its_time_says_so(
    visit: Callable[..., Visit], heron: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked, go_on = threading.Event(), threading.Event()
    judge = wear.all_trends

    def slowly(archive: Archive, against: str = "time") -> list[object]:
        asked.set()
        assert go_on.wait(60)
        return list(judge(archive, against))

    page = visit(heron).go("/library")
    page.wait_for_selector("h1")
    monkeypatch.setattr(wear, "all_trends", slowly)
    page.click("a.thumb[data-page=wear]")
    try:
        assert asked.wait(60)
        page.wait_for_function(
            """() => { const s = getComputedStyle(document.querySelector('main'), '::after');
                 return s.content.includes('Working') && s.visibility === 'visible'; }"""
        )
    finally:
        go_on.set()
    page.wait_for_function("document.querySelector('h1')?.innerText === 'Wear'")
    after = "getComputedStyle(document.querySelector('main'), '::after').content"
    page.wait_for_function(f"() => !{after}.includes('Working')")


SETTLED = """() => new Promise((done) => {
  const root = document.documentElement;
  let was = "", same = 0;
  const look = () => {
    const now = [root.clientWidth, root.scrollWidth, root.scrollHeight].join();
    same = now === was ? same + 1 : 0;
    was = now;
    if (same < 30) requestAnimationFrame(look);
    else done(root.scrollWidth);
  };
  look();
})"""
"""How wide the page is, once its size stays for thirty frames."""


def test_controls_are_of_one_size_and_no_page_is_wider_than_a_small_screen(
    visit: Callable[..., Visit], heron: Archive
) -> None:
    tab = visit(heron)
    session = "20310303-heron"
    for path, there in (
        ("/library", ".ag-row a"),
        (f"/replay?session={session}", "#rp-values tr"),
        (f"/event?session={session}&flag=f-1", "#event-story .scatterlayer"),
        ("/wear", "main h1"),
        (f"/compare?first=20310301-heron&second={session}", "main h1"),
        ("/baseline", "main h1"),
        ("/handbook", ".entry"),
    ):
        page = tab.go(path)
        page.wait_for_selector(there)
        heights = page.evaluate(
            """() => [...document.querySelectorAll('main .row button:not(.quiet), ' +
                 'main .row .dash-input-container, main .row button.dash-dropdown')]
               .map((e) => Math.round(e.getBoundingClientRect().height)).filter((h) => h > 0)"""
        )
        assert set(heights) <= {28}, path  # one size of control
        for width in (800, 420):
            page.set_viewport_size({"width": width, "height": 800})
            assert page.evaluate(SETTLED) <= width, (path, width)
        last, main = (
            page.locator("a.thumb").last.bounding_box(),
            page.locator("main").bounding_box(),
        )
        assert last is not None
        assert main is not None
        assert last["x"] + last["width"] <= width  # the menu stands on top, whole
        assert last["y"] < main["y"]
