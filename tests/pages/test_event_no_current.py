"""The event page of a joint whose motor current was not logged: everything else is shown."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest
from playwright.sync_api import expect

from dashboards.queries.event import events
from replay.archive import Archive
from tests.pages.conftest import Visit
from tests.reviews.makers import at, flag_row, keep_flags, make_archive

Open = Callable[..., Visit]


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    """Session s2: J1 has a current, J4 an angle only, J3 no channel; a flag on both."""
    made = make_archive(tmp_path / "archive")
    frame = made.samples("s1").collect().with_row_index()
    angle = (pl.col("index") / 10.0 * 2.0).alias("J4.angle_deg")  # 2 deg/s, 10 rows a second
    names = ("J1.current_a", "J4.angle_deg")
    record = replace(made.session("s1"), session="s2", channels={"main": names})
    made.add_session(record, {"main": frame.with_columns(angle).select("time", *names)})
    keep_flags(
        made,
        flag_row("g4", "J4", "act", kind="angle-sensor", start=30.0),
        flag_row("g3", "J3", "look", kind="angle-sensor", start=20.0),
        session="s2",
    )
    return made


def test_the_rows_are_the_angles_and_the_current_stays_unknown(archive: Archive) -> None:
    event = events.find_event(archive, "s2", "g4")
    rows = events.joint_rows(archive, event, at(25), at(35))
    assert rows.height == 100
    assert rows["angle_deg"].to_list() == pytest.approx([50 + 0.2 * k for k in range(100)])
    assert rows["rate_deg_s"].mean() == pytest.approx(2.0, abs=1e-6)
    for name in ("current_a", "expected_a", "residual"):
        assert rows[name].null_count() == 100
    bare = events.find_event(archive, "s2", "g3")
    assert events.joint_rows(archive, bare, at(15), at(25)).height == 0


@pytest.mark.parametrize(("flag", "joint"), [("g4", "J4"), ("g3", "J3")])
def test_the_page_is_shown_and_says_what_it_lacks(
    visit: Open, archive: Archive, flag: str, joint: str
) -> None:
    tab = visit(archive)
    page = tab.go(f"/event?session=s2&flag={flag}")
    expect(page.locator("#event-story .main-svg").first).to_be_visible(timeout=45_000)
    expect(page.get_by_role("heading", level=1)).to_have_text(f"{joint} · angle sensor")
    expect(page.get_by_text(f"No motor current of {joint} is in this log")).to_be_visible()
    page.evaluate("[...document.querySelectorAll('.event-fold')].map((f) => (f.open = true))")
    expect(page.locator("#event-likes")).to_contain_text("no motor current", timeout=45_000)
    expect(page.locator("#event-others tbody tr")).to_have_count(1)  # J1's
    expect(page.locator("#event-sensors tbody tr")).to_have_count(1 if joint == "J4" else 0)
    assert tab.errors == []
    if joint == "J4":
        assert page.locator("#event-story .ytitle", has_text="current").count() == 0  # no axis at 0
        saved = page.request.get(
            page.get_by_role("link", name="CSV").first.evaluate("a => a.href")
        ).text()
        assert "angle_deg" in saved.splitlines()[0]
        assert len(saved.splitlines()) > 50
