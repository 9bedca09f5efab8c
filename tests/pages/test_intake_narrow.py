"""The sheet before a take on a telephone: every cell of a proposed line is in sight."""

from __future__ import annotations

from playwright.sync_api import Browser

from dashboards import shell, theme
from dashboards.components.library_page.proposed_lines import TITLES, lines_part
from dashboards.components.static_html import static_html
from dashboards.queries.intake import Proposed, ReviewLine

LINES = tuple(
    ReviewLine(
        f'[joint.{name}] column = "{name}{{n}}"', share, "the name says so and its values do too",
        samples=("2031-02-11T09:30:00.000Z", "2031-02-11T09:31:30.801Z"),
        otherwise="another column whose name says the same and whose samples fit better",
    )
    for name, share in (("angle", 0.5), ("commanded_rate", 0.75))
)  # fmt: skip


def test_a_proposed_line_is_read_without_scrolling_sideways(browser: Browser) -> None:
    """Two of five columns were in sight; the others, out of it, made rows of 300 px."""
    page = browser.new_page(viewport={"width": 420, "height": 800})
    sheet = static_html(lines_part(Proposed(("a.csv",), "", lines=LINES)))
    style = f"<style>{theme.css()}{shell.together('css')}</style>"
    page.set_content(f'{style}<div class="intake-proposal">{sheet}</div>')
    boxes = page.locator("td").evaluate_all(
        "cells => cells.map((c) => { const r = c.getBoundingClientRect();"
        " return [r.left, r.right, r.height]; })"
    )
    assert len(boxes) == len(LINES) * len(TITLES)
    assert all(0 <= left < right <= 420 for left, right, _ in boxes)
    assert max(height for *_, height in boxes) < 80
    said = page.locator("tr", has_text="commanded_rate").locator("td").nth(4)
    title = said.evaluate("c => getComputedStyle(c, '::before').content")
    assert "What would change its mind" in title
    page.close()
