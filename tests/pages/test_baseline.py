"""The baseline's page: its promise, and rates on sessions that its fits left out."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

from playwright.sync_api import expect

from replay.archive import Archive, open_archive
from replay.checks import calibration, check, promise
from replay.models import load_baseline
from replay.reviews import findings, judge
from replay.reviews.judgements.learning import observed_false_flags, taught_in_doubt
from replay.wording import typeset
from tests.pages.conftest import Visit

Open = Callable[..., Visit]


def test_the_page_shows_the_promise_and_every_rate(visit: Open, heron: Archive) -> None:
    page = visit(heron).go("/baseline")
    base = load_baseline(heron)
    expect(page.get_by_text(typeset(promise.sentence(base)))).to_be_visible(timeout=45_000)
    rows = page.locator("#baseline-table tbody tr")
    rates = calibration(heron, base)
    expect(rows).to_have_count(rates.height)
    cells = rows.nth(3).locator("td").all_inner_texts()
    assert float(cells[0]) == rates["nominal"][3]
    assert int(cells[4]) == rates["events"][3]
    expect(page.locator("#baseline-rates .main-svg").first).to_be_visible(timeout=45_000)


def test_without_a_baseline_the_page_says_what_to_do(visit: Open, tmp_path) -> None:
    archive = open_archive(tmp_path / "a", create=True)
    page = visit(archive).go("/baseline")
    expect(page.get_by_text("Learn one on the library page")).to_be_visible(timeout=45_000)


def test_what_is_known_of_a_unit_stands_with_its_error_and_unit(
    visit: Open, heron: Archive
) -> None:
    page = visit(heron).go("/baseline")
    parts = page.locator("#baseline-facts details")
    expect(parts.first.locator("tbody tr").first).to_be_visible(timeout=45_000)
    expect(page.locator("#baseline-facts table:visible")).to_have_count(1)  # the others are folded
    base = load_baseline(heron)
    assert parts.locator("summary").all_inner_texts() == sorted(base.units)
    for serial, part in zip(sorted(base.units), parts.all(), strict=True):
        told = [r.locator("td").all_text_contents() for r in part.locator("tbody tr").all()]
        friction = next(r for r in told if r[0].startswith("Coulomb"))
        assert float(friction[1]) > 0
        assert float(friction[2]) > 0
        assert friction[3] == "A"
        share = next(r for r in told if r[0].startswith("explained"))
        assert float(share[1]) == float(f"{100 * base.units[serial].explained:.3g}")


def test_a_baseline_taught_by_sessions_in_doubt_says_so(visit: Open, heron: Archive) -> None:
    base = load_baseline(heron)
    doubtful = taught_in_doubt(heron, base.sessions)
    page = visit(heron).go("/baseline")
    expect(page.locator("#baseline-table")).to_be_visible(timeout=45_000)
    has = "has findings" if len(doubtful) == 1 else "have findings"
    said = page.get_by_text(f"of the {len(base.sessions)} sessions that taught it {has}")
    expect(said).to_have_count(1 if doubtful else 0)
    assert doubtful  # the archive of these tests has faults that nobody has judged
    expect(said).to_contain_text(f"{len(doubtful)} of the")


def test_nothing_is_said_of_verdicts_before_there_is_one(
    visit: Open, heron: Archive, tmp_path: Path
) -> None:
    """Sessions that were checked, none judged, are no proof that flags are right."""
    root = tmp_path / "archive"
    shutil.copytree(str(heron.root), root)
    archive, session = open_archive(root), "20310303-heron"
    flags = archive.table("flags")
    check(archive, session)
    archive.replace("flags", flags, session=[session])
    assert observed_false_flags(archive).height == 1
    page = visit(archive).go("/baseline")
    expect(page.locator("#baseline-table")).to_be_visible(timeout=45_000)
    expect(page.locator("#baseline-verdicts")).to_have_count(0)
    found = findings(archive, session)[0]
    judge(archive, session, found.finding, "watch", reviewer="R. Moss")
    page.reload()
    expect(page.locator("#baseline-verdicts")).to_be_visible(timeout=45_000)
