"""What is seen at every page: scales that can be read, outcomes that nothing covers, paper."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from functools import cache

import pytest
from playwright.sync_api import Page
from werkzeug.serving import make_server

from dashboards.app import create_app
from dashboards.queries import catalogue
from replay.archive import Archive
from tests.pages.conftest import Visit

SESSION = "20310303-heron"
EVENT = f"/event?session={SESSION}&flag=f-2"
SIGN_OFF = f"/sign-off?session={SESSION}"

LONG = "2031-03-03 09:00 · Heron · 20310303T090000Z-heron-d120e5"

AXES = """() => [...document.querySelectorAll('.js-plotly-plot')].flatMap((plot) =>
  Object.keys(plot._fullLayout || {}).filter((k) => /^[xy]axis[0-9]*$/.test(k)).flatMap((k) => {
    const axis = plot._fullLayout[k];
    if (!axis.visible || axis.showticklabels === false || !axis._vals) return [];
    const [low, high] = [...axis.range].map((v) => axis.r2l(v)).sort((a, b) => a - b);
    const fit = axis._vals.filter((t) => t.text && t.x >= low - 1e-9 && t.x <= high + 1e-9);
    return [[plot.parentElement.id + ' ' + k + ' ' + axis.range, fit.length]];
  }))"""
"""Axes of Plotly's figures that are labelled, each with its labels inside its range."""

REPLAY_LABELS = """() => {
  const p = window.jointbook.replay.player, R = window.jointbook.replay, found = {};
  for (const panel of p.panels.panels) {
    if (panel.key === 'brakes') continue;
    const renderer = new R.SvgRenderer(p.panels.width, panel.height, '#fff');
    p.panels.one(renderer, panel, panel.height);
    const sheet = new DOMParser().parseFromString(renderer.toString(), 'image/svg+xml');
    const labels = [...sheet.querySelectorAll('text')].filter((t) =>
      t.getAttribute('text-anchor') === 'end' && Number(t.getAttribute('x')) === R.GUTTER - 5);
    found[panel.key] = labels.map((t) => Number(t.textContent.replace('\u2212', '-')))
      .filter((v) => v >= panel.low && v <= panel.high).length;
  }
  return found; }"""


@pytest.fixture(scope="module")
def look(lasting_visit: Callable[..., Visit], heron: Archive) -> Callable[[str], Page]:
    """Return an address's page, opened once for all that is looked at on it."""
    return cache(lambda path: lasting_visit(heron).go(path))


@pytest.mark.parametrize(
    ("path", "count"),
    [
        (EVENT, 20),
        (f"/compare?session=20310301-heron&with={SESSION}", 6),
        ("/baseline", 2),
    ],
)
def test_every_axis_carries_two_labels_that_fit_its_range(
    look: Callable[[str], Page], path: str, count: int
) -> None:
    page = look(path)
    if path == EVENT:  # its parts are drawn when they are opened
        page.wait_for_selector(".event-fold", state="attached", timeout=45_000)
        page.evaluate("document.querySelectorAll('.event-fold').forEach((f) => { f.open = true; })")
    page.wait_for_function(f"({AXES})().length >= {count}", timeout=60_000)
    axes = page.evaluate(AXES)
    assert len(axes) == count  # a figure that is not there has no axis to fail
    assert [a for a in axes if a[1] < 2] == []


@pytest.mark.parametrize(("span_s", "width"), [(240.0, 1280), (20.0, 420), (1.0, 1280)])
def test_every_scale_of_the_replay_carries_two_labels_that_fit(
    visit: Callable[..., Visit], heron: Archive, span_s: float, width: int
) -> None:
    page = visit(heron, width=width).go(f"/replay?session={SESSION}")
    page.wait_for_function("window.jointbook.replay.player?.cache.whole.logged")
    page.evaluate(f"window.jointbook.replay.player.setWindow(40, {40 + span_s})")
    page.wait_for_function(
        """() => { const p = window.jointbook.replay.player; return !p.stale && !p.cache.loading()
             && !p.cache.loading(true); }"""
    )
    counts = page.evaluate(REPLAY_LABELS)
    assert {"angle", "rate", "current", "residual"} <= set(counts)
    assert all(n >= 2 for n in counts.values()), counts


@pytest.mark.parametrize("path", ["/sign-off", "/compare", "/review"])
def test_a_telephone_shows_the_chosen_session_whole(
    visit: Callable[..., Visit], heron: Archive, path: str
) -> None:
    page = visit(heron, width=420).go(f"{path}?session={SESSION}")
    chosen = page.locator(".page .dash-dropdown-value", has_text=SESSION).first
    chosen.wait_for()
    assert chosen.evaluate(
        """(e, longer) => { e.textContent = longer; // names of logs taken in carry their instant
             return e.scrollWidth <= e.clientWidth && e.getBoundingClientRect().bottom
               <= e.closest('button').getBoundingClientRect().bottom; }""",
        LONG,
    )


@pytest.mark.parametrize("path", [SIGN_OFF, "/queue", "/library", EVENT])
def test_a_button_is_one_line(look: Callable[[str], Page], path: str) -> None:
    page = look(path)
    page.wait_for_selector(".page h1, .page h2")
    page.wait_for_function("document.querySelectorAll('.page a.button').length >= 2")
    high = page.evaluate(
        """() => [...document.querySelectorAll('.page a.button')].filter((e) => e.offsetHeight)
             .map((e) => [e.textContent, e.offsetHeight])"""
    )
    assert len(high) >= 2
    assert [h for h in high if h[1] > 32] == []


def test_the_head_of_the_sign_off_is_one_line(look: Callable[[str], Page]) -> None:
    page = look(SIGN_OFF)
    page.wait_for_selector(".signoff h1")
    middles = page.evaluate(
        """() => [...document.querySelector('.signoff .row').children].map((e) => {
             const r = e.getBoundingClientRect(); return (r.top + r.bottom) / 2; })"""
    )
    assert len(middles) == 5
    assert max(middles) - min(middles) < 12


SIZES = """() => { const p = window.jointbook.replay.player.panels;
  return [p.axis, ...p.panels.map((panel) => panel.canvas)].map((c) => c.clientWidth); }"""


def test_a_drawing_of_a_part_leaves_no_other_part_in_another_size(
    visit: Callable[..., Visit], heron: Archive
) -> None:
    """The bar of a longer page takes width from the plots, and nobody resized the window."""
    page = visit(heron).go(f"/replay?session={SESSION}")
    page.wait_for_function(
        """() => { const p = window.jointbook.replay.player; return p?.cache.whole.logged
             && !p.stale && !p.cache.loading() && !p.cache.loading(true); }"""
    )
    before = page.evaluate(SIZES)
    assert len(before) >= 6
    assert len(set(before)) == 1
    page.evaluate(
        """() => { const p = window.jointbook.replay.player;
             p.panels.host.style.width = '600px'; p.dirty(['brakes']);
             const frame = window.requestAnimationFrame;
             return new Promise((go) => frame(() => frame(go))); }"""
    )
    after = page.evaluate(SIZES)
    assert len(after) == len(before)
    assert set(after) == {page.evaluate("window.jointbook.replay.player.panels.host.clientWidth")}
    assert after[0] < before[0]


@pytest.fixture(scope="module")
def with_a_job(heron: Archive) -> Iterator[str]:
    """Return the address of a dashboard with a job that ended."""
    app = create_app(heron)
    app.desk.jobs.start("Check of three sessions", lambda step: "3 checked, 2 flags")
    server = make_server("127.0.0.1", 0, app.server, threaded=True)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()


def test_nothing_covers_the_outcome_of_a_job(
    visit: Callable[..., Visit], heron: Archive, with_a_job: str
) -> None:
    page: Page = visit(heron).page
    for path in ("/library", EVENT, f"/replay?session={SESSION}", "/queue"):
        page.goto(with_a_job + path)
        page.wait_for_selector("main h1, main h2")
        page.evaluate("window.dash_clientside.set_props('jobs-beat', { disabled: false })")
        page.wait_for_selector(".job.done:has-text('3 checked')")
        for width in (1280, 420):
            page.set_viewport_size({"width": width, "height": 800})
            # beside a form it stands below what has to be written, and is scrolled to
            page.locator(".jobs button").first.scroll_into_view_if_needed()
            seen = page.evaluate(
                """() => [...document.querySelectorAll('.job strong, .job-text, .jobs button')].map(
                     (e) => { const r = e.getBoundingClientRect();
                       const at = [r.left + 2, r.left + r.width / 2, r.right - 2];
                       return r.width > 0 && at.every((x) => e.contains(
                         document.elementFromPoint(x, r.top + r.height / 2))); })"""
            )
            assert len(seen) == 3, (path, width)
            assert all(seen), (path, width)


def test_a_flag_alone_in_the_address_brings_its_session(heron: Archive) -> None:
    assert catalogue.session_asked(heron, None, "f-1") == SESSION
    assert catalogue.session_asked(heron, "other", "f-1") == "other"
    assert catalogue.session_asked(heron, None, "nosuch") is None
    assert catalogue.session_asked(heron, None, None) is None


def test_a_telephone_shows_what_each_brake_does(
    visit: Callable[..., Visit], heron: Archive
) -> None:
    page = visit(heron, width=420).go(f"/replay?session={SESSION}")
    page.wait_for_selector("#rp-values td.rp-brake")
    right = page.evaluate(
        """() => Math.max(...[...document.querySelectorAll('#rp-values td.rp-brake')]
             .map((e) => e.getBoundingClientRect().right))"""
    )
    assert 0 < right <= 420
