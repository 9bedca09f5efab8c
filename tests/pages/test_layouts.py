"""What pages say, read from their layouts: no browser is needed to read words."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest
from dash import html
from plotly.utils import PlotlyJSONEncoder

from dashboards import links, shell, theme
from dashboards.app import create_app, load_pages
from dashboards.components.keymap import KEYS
from dashboards.components.typeset import set_in_type
from dashboards.figures.style import SYMBOLS, joint_symbol
from dashboards.jobs import Jobs
from dashboards.links import View
from dashboards.pages.no_such_session import no_such_session
from dashboards.pages.page import Desk
from dashboards.queries.baselines import newest, not_in_the_drawing
from replay.archive import Archive, open_archive
from replay.models.loading.grip_spread import Spread
from tests.pages.test_wear import UNITS, indicator_rows

SESSION = "20310303-heron"


def said(archive: Archive, page: str, **extra: str) -> str:
    """Return a page's layout as text."""
    one = next(p for p in load_pages() if p.name == page)
    words = dict(extra)
    view = View(session=words.pop("session", None), extra=words)
    made = one.layout(Desk(archive, Jobs()), view)
    return json.dumps(made, cls=PlotlyJSONEncoder, ensure_ascii=False)


@pytest.mark.parametrize("page", ["queue", "library", "replay", "review", "compare", "baseline"])
def test_the_general_caution_stands_in_the_frame_alone(heron: Archive, page: str) -> None:
    """It stood above the review in the very words of the foot below it."""
    assert "jointbook advises" not in said(heron, page)


@pytest.fixture
def worn(heron: Archive) -> Archive:
    start = datetime(2032, 12, 1, 9, tzinfo=UTC)
    heron.replace("indicators", indicator_rows(SESSION, start), session=["x"])
    return heron


def test_a_sheet_of_a_unit_whose_brake_slipped_says_so_above_its_trends(worn: Archive) -> None:
    """It travels alone, and its first sentence was that holding slip is steady."""
    before = said(worn, "wear", serial=UNITS[2], sheet="yes")
    flags = worn.table("flags").filter(pl.col("session") == SESSION)
    own = pl.col("unit") == UNITS[2]

    def sheet(kind: str, serial: str = UNITS[2], **evidence: float) -> str:
        changed = flags.with_columns(
            kind=pl.when(own).then(pl.lit(kind)).otherwise("kind"),
            evidence=pl.when(own).then(pl.lit(json.dumps(evidence))).otherwise("evidence"),
        )
        worn.replace("flags", changed, session=[SESSION])
        return said(worn, "wear", serial=serial, sheet="yes")

    words = "A brake that slips may not hold"
    assert words not in before
    assert 0 < sheet("brake-slip").index(words) < sheet("brake-slip").index("Trends")
    assert words not in sheet("brake-slip", UNITS[0])
    # of a late release only where the motor drove against the brake, or nobody measured it
    drove = "drove against its own brake"
    assert drove in sheet("late-release")
    assert drove not in sheet("late-release", pushed_a=0.07, quiet_a=1.5)


def test_an_empty_archive_has_no_session_that_is_measured(tmp_path: Path) -> None:
    empty = said(open_archive(tmp_path / "new", create=True), "wear")
    assert "All sessions are measured" not in empty
    assert "Take logs in on the library page." in empty


def test_the_days_of_a_unit_are_those_of_its_logs_and_not_today(worn: Archive) -> None:
    """A sheet over old logs said "as of" the day on which it was opened."""
    today = f"{datetime.now(UTC):%Y-%m-%d}"
    sheet = said(worn, "wear", serial=UNITS[2], sheet="yes")
    assert "as of its last session, 2032-12-01" in sheet
    assert today not in sheet
    page = said(worn, "wear", serial=UNITS[2])
    assert '"id": "wear-note-date"' in page
    assert '"value": "2032-12-01"' in page
    assert today not in page


def test_a_session_that_is_not_there_answers_404_with_the_nearest(heron: Archive) -> None:
    client = create_app(heron).server.test_client()
    for name in ("replay", "review", "sign-off", "event", "compare", "queue"):
        asked = f"/{name}?session=20310303-hern"
        assert client.get(asked, base_url="http://localhost").status_code == 404
    page = next(p for p in load_pages() if p.name == "review")
    shown = no_such_session(
        Desk(heron, Jobs()), page, links.read("?session=20310303-hern&show=open")
    )
    assert shown is not None
    said = json.dumps(shown, cls=PlotlyJSONEncoder, ensure_ascii=False)
    assert "There is no session “20310303-hern” in this archive." in said
    assert f"/review?session={SESSION}&show=open" in said
    assert no_such_session(Desk(heron, Jobs()), page, links.read(f"?session={SESSION}")) is None


def test_a_severity_has_no_joints_mark() -> None:
    """A look was read as J4, an act as J3: they had these joints' marks."""
    drawn = {"circle": "○●", "square": "■□", "triangle": "▲△", "diamond": "◆◇", "wedge": "▼▽"}
    joints = set("".join(drawn.get(mark, "") for mark in theme.MARKS))
    for said in theme.SEVERITY_SHAPES.values():
        assert not joints & set(said)
    assert len({*theme.SEVERITY_SHAPES.values()}) == 3
    script = (shell.ASSETS / "library.js").read_text("utf-8")
    assert "circle" not in script.split("const DRAW")[1].split("};")[0]


def test_a_joints_mark_is_as_large_in_a_figure_as_in_the_replay() -> None:
    """Triangles of a comparison had a quarter less area than those beside the replay's lines."""
    sizes = {mark: joint_symbol(n, 14)["size"] for n, mark in enumerate(theme.MARKS)}
    assert sizes["triangle"] == sizes["wedge"] == pytest.approx(14 * 1.155)
    assert {sizes[m] for m in ("circle", "square", "diamond", "cross", "ring")} == {14}
    assert [joint_symbol(n, 9)["symbol"] for n in range(7)] == list(SYMBOLS)


def test_what_is_shown_has_minus_signs_and_degrees() -> None:
    made = html.Div([html.P("off by -0.63 A at 27 degC"), html.Code("--port -1"), "2031-03-01"])
    shown = json.dumps(set_in_type(made), cls=PlotlyJSONEncoder, ensure_ascii=False)
    assert "off by −0.63 A at 27 °C" in shown
    assert "--port -1" in shown
    assert "2031-03-01" in shown


def test_a_verdict_says_what_signing_needs_besides(heron: Archive) -> None:
    """Two ways to judge stood side by side, and only the other one lets a session be signed."""
    page = said(heron, "review", session=SESSION)
    assert "A session is signed on dispositions, which a verdict is not" in page
    assert f"/queue?session={SESSION}&flag=f-1" in page


def test_the_replay_says_what_its_expected_current_leaves_out(heron: Archive) -> None:
    base, _ = newest(heron)
    assert base is not None
    record = heron.session(SESSION)
    off = replace(base, model=replace(base.model, grip=Spread(0.02, 0.0, 0.1)))
    said = not_in_the_drawing(off, replace(record, payload_kg=40.0))
    assert len(said) == 1
    assert "a flag rests on the estimate" in said[0]
    plain = replace(base, model=replace(base.model, grip=Spread()))
    assert not_in_the_drawing(plain, replace(record, payload_kg=40.0)) == []
    bare = replace(record, payload_kg=None, channels={"main": ("J1.current_a",)})
    heavy = {k: replace(u, payload_scale_kg=5.0) for k, u in base.model.units.items()}
    loaded = replace(base, model=replace(base.model, units=heavy, grip=Spread()))
    assert "takes the arm for empty" in not_in_the_drawing(loaded, bare)[0]


def test_the_list_of_keys_says_what_a_key_does_on_that_page() -> None:
    """Under the wear page it said "Pin a note at the cursor", of which that page has none."""
    said = {(where, key): what for key, what, pages in KEYS for where in pages.split(", ")}
    assert len(said) == sum(len(pages.split(", ")) for _, _, pages in KEYS)  # once a page
    assert "cursor" not in said["wear", "I"]
    assert "sign" not in said["queue", "Ctrl Enter"].lower()
    assert "flag" not in said["queue", "N  P"]
    assert said["sign-off", "Ctrl Enter"] == "Sign"
