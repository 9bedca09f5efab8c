"""The handbook knows every word of the pages, and the README is made from it."""

from __future__ import annotations

import re
import shutil
from dataclasses import fields
from pathlib import Path

import pytest
from dash import dcc, html
from playwright.sync_api import expect

from dashboards.components.queue_page.signing_parts import statement_list
from dashboards.components.static_html import static_html
from dashboards.figures.detectors import spoken
from dashboards.handbook import GROUPS, entries, entry_of, glossary
from dashboards.handbook.pictures import PICTURES, picture
from dashboards.links import View
from dashboards.pages import handbook
from replay.archive import open_archive
from replay.arm import margins
from replay.records import FLAG_KINDS
from replay.reviews import VERDICTS, statement
from replay.signatures.registry import MEASURES
from replay.units import JOINT_QUANTITIES, SESSION_QUANTITIES
from replay.wear import indicators, trends
from replay.wear.catalogue import INDICATORS
from replay.wording import kind_words
from tests.pages.conftest import Visit
from tests.reviews.makers import make_archive

ROOT = Path(__file__).parents[2]

WORDS = """() => [...document.querySelectorAll(
    'main th, main dt, main h2, main h3, .finding-label, .ag-header-cell-text,' +
    '#rp-values thead th')]
  .filter((e) => !e.closest('.rp-table tbody, .plain-table tbody, .wear-multiples tbody, .entry'))
  .map((e) => e.textContent.replace(/\\s+/g, ' ').trim())"""

SAID = """() => [document.querySelector('main').innerText, ...[...document.querySelectorAll(
    'main [title], main [aria-label]')].map((e) => e.title + ' ' + e.ariaLabel)].join(' ')"""
"""All that a page says, to eyes and to screen readers."""

KEPT_NAMES = [k for k in (*FLAG_KINDS, "too-few") if kind_words(k) != k]


@pytest.mark.parametrize(
    "words",
    [
        FLAG_KINDS,
        tuple(VERDICTS),
        ("note", "look", "act"),
        ("rising", "falling", "steady", "too-few"),
        tuple(i.name for i in INDICATORS),
        tuple(q.word for q in (*JOINT_QUANTITIES.values(), *SESSION_QUANTITIES.values())),
    ],
    ids=["kinds", "verdicts", "severities", "results", "indicators", "quantities"],
)
def test_every_word_that_the_engine_can_show_has_an_entry(words):
    assert [w for w in words if entry_of(w) is None] == []


def test_the_handbook_is_light_and_whole():
    """Each component that the browser's framework draws costs it milliseconds."""
    made = handbook.layout(None, View(extra={"entry": "residual"}))
    assert sum(1 for _ in made._traverse()) < 200  # 1500 with every entry among them
    text = handbook.entries_as_html()
    told = re.findall(r'data-entry="([^"]+)"', text)
    assert sorted(told) == sorted(k for k, e in entries().items() if not e.article)
    assert "<script" not in text


def test_what_only_a_browser_can_draw_is_no_text():
    with pytest.raises(TypeError, match="Input"):
        static_html(dcc.Input(id="x"))
    assert static_html(html.P("<b>")) == "<p>&lt;b&gt;</p>"


def test_every_measure_is_told_in_words_that_have_an_entry():
    names = set(MEASURES)
    assert {n for n in names if spoken(n) == n} == set()
    assert {n: spoken(n) for n in names if entry_of(spoken(n)) is None} == {}
    assert entry_of(spoken("release push beyond")) == "release-push"


def test_every_margin_rule_is_named():
    text = entries()["margin-rules"].what
    for name in Path(margins.__file__).with_name("rules").glob("*.toml"):
        assert margins.load_rule(name.stem).title.split("-20")[0] in text


def test_every_entry_says_all_it_owes():
    for entry in entries().values():
        for field in fields(entry):
            if field.name not in ("also", "readme", "article"):
                assert getattr(entry, field.name), f"{entry.key} has no {field.name}"
        assert entry.picture in PICTURES, entry.key
        assert entry.group in GROUPS
    for name in PICTURES:
        assert picture(name).startswith("<svg")
        assert picture(name) != picture(name, dark=True)


def test_no_word_leads_to_two_entries():
    first: dict[str, str] = {}
    for entry in entries().values():
        for word in entry.also:
            assert first.setdefault(word, entry.key) == entry.key, word


def test_the_readme_is_made_from_the_handbook():
    assert glossary() in (ROOT / "README.md").read_text("utf-8")


def test_a_walk_of_the_pages_meets_no_word_without_an_entry(heron, visit, tmp_path):
    # an archive of its own: the one that the tests share has no measures of wear
    shutil.copytree(str(heron.root), tmp_path / "archive")
    measured = open_archive(tmp_path / "archive")
    indicators(measured)
    trends(measured)
    session = measured.sessions()["session"][-1]
    tab: Visit = visit(measured)
    page = tab.go("/library")
    page.locator(".ag-header-cell-text").first.wait_for()
    found = {"library": page.evaluate(WORDS)}
    said = {"library": page.evaluate(SAID)}
    for name, path, ready in (
        ("replay", f"/replay?session={session}&flag=f-1", "#rp-flag"),
        ("event", f"/event?session={session}&flag=f-1", "#event-sensors table"),
        ("wear", "/wear", ".wear-multiples"),
        ("review", f"/review?session={session}", ".review"),
        ("handbook", "/handbook", ".entry"),
        ("queue", "/queue", ".page fieldset"),
        ("sign-off", f"/sign-off?session={session}", ".page h1"),
        ("compare", "/compare", "#compare-overlay-words"),
        ("baseline", "/baseline", "#baseline-table"),
    ):
        tab.go(path)
        if name == "event":  # its parts are filled when they are opened
            page.locator(".event-fold").first.wait_for(state="attached", timeout=120_000)
            page.evaluate(
                "[...document.querySelectorAll('.event-fold')].map((f) => (f.open = true))"
            )
        page.locator(ready).first.wait_for(state="attached", timeout=120_000)
        page.wait_for_load_state("networkidle")
        if name != "handbook":  # its own heads need no entry
            found[name] = page.evaluate(WORDS)
        said[name] = page.evaluate(SAID)
    missing = {
        name: [w for w in words if w and not any(c.isdigit() for c in w) and entry_of(w) is None]
        for name, words in found.items()
    }
    assert all(len(words) > 3 for words in found.values())
    assert missing == {name: [] for name in found}
    # kinds are read as words; the flag's own kind stands where it is shown, so these are said
    assert {n: [k for k in KEPT_NAMES if k in s] for n, s in said.items()} == {n: [] for n in said}
    for name in ("replay", "event", "review", "queue", "sign-off", "handbook"):
        assert "brake drag" in said[name], name
    assert tab.errors == []


def test_a_word_leads_to_its_entry_and_the_search_finds_it(heron, visit):
    session = heron.sessions()["session"][-1]
    tab: Visit = visit(heron)
    page = tab.go(f"/replay?session={session}")
    page.get_by_role("link", name="residual", exact=True).click()
    page.wait_for_url("**/handbook?entry=residual")
    asked = page.locator(".entry.asked")
    assert "current less expected current" in asked.inner_text().lower()
    assert asked.locator("img.on-light").evaluate("i => i.decode().then(() => i.naturalWidth)") > 0
    every = page.locator(".entry")
    expect(every).to_have_count(len(entries()) + 1)  # the one asked for is there twice, seen once
    expect(page.locator("[data-entry=residual]:visible")).to_have_count(1)
    expect(page.locator("#handbook-count")).to_have_text(f"{len(entries())} entries")
    page.get_by_label("Find").fill("backlash reversal")
    page.locator("[data-entry=indicator-backlash-at-reversals]").wait_for()
    assert page.locator(".entry:visible").count() < 5
    page.locator("[data-entry=indicator-backlash-at-reversals] h3 a").click()
    page.locator("#asked-indicator-backlash-at-reversals").wait_for()
    page.wait_for_url("**/handbook?entry=indicator-backlash-at-reversals")
    assert tab.errors == []


def test_the_entry_of_the_name_looked_for_stands_before_those_that_mention_it(heron, visit):
    """An article that names a slip in passing filled the screen, the entry lay below."""
    tab: Visit = visit(heron)
    page = tab.go("/handbook")
    expect(page.locator(".entry")).to_have_count(len(entries()))
    page.get_by_label("Find").fill("brake slip")
    expect(page.locator("#handbook-count")).to_contain_text(" of ")
    top = page.locator(".entry:visible").evaluate_all(
        """all => all.map(e => [e.getBoundingClientRect(), e.querySelector('h3').innerText])
        .sort(([a], [b]) => a.top - b.top || a.left - b.left).map(([r, t]) => [r.top, t])[0]"""
    )
    assert "brake slip" in top[1].lower()
    assert top[0] < 300
    assert tab.errors == []


def test_every_word_of_a_sign_offs_statement_has_an_entry(tmp_path):
    archive = make_archive(tmp_path / "archive")
    facts = statement_list(statement(archive, "s1"))
    words = [pair.children[0].children for pair in facts.children]
    assert len(words) > 4
    assert [w for w in words if entry_of(w) is None] == []
