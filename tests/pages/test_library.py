"""The library in a real browser: the grid, the way in, work in the background."""

from __future__ import annotations

import io
import re
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import IO

import polars as pl
import pytest
from playwright.sync_api import expect

from dashboards.queries.catalogue import library
from dashboards.queries.intake import Intake, safe_name
from dashboards.queries.session.completeness import by_joint
from replay.archive import Archive, open_archive
from replay.archive.catalogue import row
from replay.demo.sessions import SessionPlan, simulate_session
from replay.errors import UsageError
from replay.records import Session
from tests.pages.conftest import Visit

Open = Callable[..., Visit]
T0 = datetime(2031, 1, 1, tzinfo=UTC)


def plain_log(path: Path, *, day: int = 0, style: str = "inspection") -> Path:
    """A wide CSV of the invented arm with telling names, two minutes long."""
    plan = SessionPlan(start=T0 + timedelta(days=day), minutes=2.0, rate_hz=10.0, style=style)
    frame, _ = simulate_session(plan, seed=40 + day)
    names = {"time": "time"}
    for n in range(1, 8):
        names |= {
            f"J{n}.angle_deg": f"joint{n}_angle_deg",
            f"J{n}.current_a": f"joint{n}_current_A",
            f"J{n}.temperature_c": f"joint{n}_temp_degC",
        }
    frame.select(pl.col(k).alias(v) for k, v in names.items()).write_csv(path)
    return path


def catalogue(root: Path, count: int) -> Archive:
    """An archive of many sessions that have a catalogue row and no samples."""
    archive = open_archive(root, create=True)
    one = row(
        Session(
            session="s",
            source="log.csv",
            arm="Heron",
            rows=1000,
            start=T0,
            end=T0 + timedelta(minutes=10),
            joints=tuple(f"J{k}" for k in range(1, 8)),
            units={f"J{k}": f"TU-{k}" for k in range(1, 8)},
            channels={"main": ()},
            completeness=1.0,
        )
    )
    n = pl.int_range(count).alias("n")
    rows = one.select(pl.all().repeat_by(count)).explode(pl.all()).with_columns(n)
    rows = rows.with_columns(
        session=pl.format("s{}", pl.col("n").cast(pl.String).str.zfill(5)),
        arm=pl.when(pl.col("n") % 3 > 0).then(pl.lit("Heron")).otherwise(pl.lit("Egret")),
        start=pl.col("start") + pl.duration(hours="n"),
        end=pl.col("end") + pl.duration(hours="n"),
        completeness=1 - (pl.col("n") % 50) / 100,
    ).drop("n")
    archive.replace("sessions", rows, session=[])
    return archive


@pytest.fixture(scope="module")
def many(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    archive = catalogue(tmp_path_factory.mktemp("many") / "archive", 10_000)
    flags = pl.DataFrame(
        {
            "flag": ["f1", "f2"],
            "session": ["s04321", "s04321"],
            "joint": ["J2", "J6"],
            "unit": ["TU-2", "TU-6"],
            "kind": ["friction", "gap"],
            "start": [T0, T0],
            "end": [T0, T0],
            "score": [3.0, 4.0],
            "severity": ["act", "note"],
            "summary": ["", ""],
        }
    )
    archive.replace("flags", flags, session=["s04321"])
    return archive


def test_ten_thousand_sessions_scroll_sort_and_filter(visit: Open, many: Archive) -> None:
    archive = many
    tab = visit(archive)
    page = tab.go("/library")
    grid = page.locator("#library-grid")
    expect(grid.locator(".ag-center-cols-container [role=row]").first).to_be_visible(timeout=45_000)
    assert grid.locator(".ag-center-cols-container [role=row]").count() < 80  # only rows in sight
    expect(page.locator("#library-count")).to_have_text("10000 sessions")
    # sort by the picture, worst last; once more, worst first
    head = page.get_by_role("columnheader", name="Joints, how complete")
    head.click()
    head.click()
    picture = grid.locator(".ag-row-first .session-picture").first
    expect(picture).to_have_attribute("aria-label", re.compile(r"J2 act, J6 note; 79 % complete"))
    assert picture.locator(".pic-act").count() == 1
    assert picture.locator(".pic-note").count() == 1
    # the search words are in the address, and a link with them opens the same list
    page.get_by_label("Find").fill("s09998")
    expect(grid.locator(".ag-center-cols-container [role=row]")).to_have_count(1)
    page.wait_for_function("location.search.includes('find=s09998')")
    page.reload()
    expect(grid.locator(".ag-center-cols-container [role=row]")).to_have_count(1)
    assert tab.errors == []


def test_all_slots_and_what_cautions_are_in_sight(visit: Open, many: Archive) -> None:
    wide = visit(many).go("/library?find=s04321")
    names = ("Joints, how complete", "Open flags", "Signed", "Person on tip", "Checked", "Flags")
    for name in (*names, "Minutes", "Arm"):
        box = wide.get_by_role("columnheader", name=name, exact=True).bounding_box()
        assert box is not None
        assert box["x"] + box["width"] <= 1280, name
    over = """() => { const e = document.querySelector('.ag-center-cols-viewport');
      return e.scrollWidth - e.clientWidth; }"""
    assert wide.evaluate(over) <= 0  # nothing lies out of sight at the side
    cut = """() => [...document.querySelectorAll('.ag-header-cell-text, .ag-row-first .ag-cell')]
      .filter((e) => e.scrollWidth > e.clientWidth || e.scrollHeight > e.clientHeight + 2)
      .map((e) => e.textContent)"""
    assert wide.evaluate(cut) == []
    source = wide.get_by_role("columnheader", name="Source")
    expect(source).to_have_count(0)
    wide.get_by_role("button", name="More columns").click()
    wide.wait_for_function(f"({over})() > 100")
    wide.get_by_role("button", name="Fewer columns").click()
    wide.wait_for_function(f"({over})() <= 0")
    expect(wide.locator(".ag-row-first [col-id=signed]")).to_have_text("no")
    narrow = visit(many, width=420).go("/library?find=s04321")
    picture = narrow.locator("#library-grid .ag-row-first .session-picture").first
    expect(picture).to_be_visible(timeout=45_000)
    hit = """e => { const r = e.getBoundingClientRect();  // what is seen at the last slot
      return e.contains(document.elementFromPoint(r.right - 10, r.top + r.height / 2)); }"""
    # the grid lets a column go after its first drawing
    narrow.wait_for_function(hit, arg=picture.element_handle())


def test_every_session_of_ten_thousand_is_listed_once(many: Archive) -> None:
    made = library(many)
    assert made.rows.height == made.rows["session"].n_unique() == 10_000
    assert set(made.places) == {"Heron", "Egret"}
    assert sorted(made.rows["marks"].unique()) == ["0000000", "0300010"]


def test_a_dropped_log_is_shown_confirmed_and_taken_in(visit: Open, tmp_path: Path) -> None:
    archive = open_archive(tmp_path / "archive", create=True)
    log = plain_log(tmp_path / "first day.csv")
    broken = tmp_path / "cut.parquet"
    broken.write_bytes(b"PAR1 and then nothing")
    tab = visit(archive)
    page = tab.go("/library")
    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name="Choose files").click()
    chooser.value.set_files([log, broken])
    sheet = page.locator(".intake-sheet")
    expect(sheet).to_be_visible(timeout=45_000)
    expect(page.locator("#library-intake-files li")).to_have_count(2)
    expect(sheet.locator("textarea").first).to_have_value(re.compile("joint.current"))
    assert archive.sessions().height == 0  # nothing is stored before someone says yes
    page.get_by_role("button", name="Take in").click()
    outcome = page.locator("#library-outcome")
    expect(outcome).to_contain_text("Refused", timeout=45_000)
    expect(outcome).to_contain_text("cut.parquet")
    expect(outcome).not_to_contain_text("Taking the logs in")
    expect(page.locator("#library-confirm")).to_be_empty()
    expect(page.locator("#library-count")).to_have_text("1 session")
    stored = archive.sessions()
    assert stored.height == 1
    assert stored["joints"].to_list() == [7]
    expect(page.locator("#library-grid").get_by_text(stored["session"][0])).to_be_visible()


def test_a_drop_onto_the_zone_arrives_and_can_be_discarded(visit: Open, tmp_path: Path) -> None:
    archive = open_archive(tmp_path / "archive", create=True)
    text = plain_log(tmp_path / "x.csv").read_text()
    page = visit(archive).go("/library")
    expect(page.locator("#library-drop")).to_be_visible()
    data = page.evaluate_handle(
        """(text) => { const d = new DataTransfer();
        d.items.add(new File([text], "../..//dropped.csv")); return d; }""",
        text,
    )
    page.dispatch_event("#library-drop", "drop", {"dataTransfer": data})
    expect(page.locator(".intake-sheet h3").first).to_have_text("dropped.csv", timeout=45_000)
    page.get_by_role("button", name="Discard the files").click()
    expect(page.locator("#library-confirm")).to_contain_text("nothing was stored")
    assert archive.sessions().height == 0


def test_the_zone_has_one_field_for_files_and_takes_the_same_file_again(
    visit: Open, tmp_path: Path
) -> None:
    tab = visit(open_archive(tmp_path / "archive", create=True))
    page = tab.go("/library")
    log = plain_log(tmp_path / "a.csv")
    for _ in range(2):
        with page.expect_file_chooser() as chooser:
            page.get_by_role("button", name="Choose files").click()
        assert chooser.value.is_multiple()
        with page.expect_response(re.compile(r"/data/library/intake/[^/?]+\?name=a.csv")):
            chooser.value.set_files([log])
        fields = page.locator("#library-drop input[type=file]")
        expect(fields).to_have_count(1)
        expect(fields).to_be_hidden()
        expect(fields).to_have_attribute("accept", re.compile(r"\.csv,.*\.toml"))


def test_a_map_is_corrected_beside_its_samples(visit: Open, tmp_path: Path) -> None:
    archive = open_archive(tmp_path / "archive", create=True)
    page = visit(archive).go("/library")
    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name="Choose files").click()
    chooser.value.set_files([plain_log(tmp_path / "a.csv")])
    sheet = page.locator(".intake-sheet")
    expect(sheet).to_contain_text("Values it rests on", timeout=45_000)
    expect(sheet).to_contain_text("columns of the log")
    # wider than a telephone, the map's table scrolls by itself and stays in its sheet
    expect(sheet.locator(".intake-proposal details").first).to_have_css("overflow-x", "auto")
    expect(sheet).to_contain_text("none: joints named by the map")  # no other arm's file unasked
    page.get_by_role("button", name="Show a joint").click()
    expect(sheet).to_contain_text("This map leaves switched off", timeout=45_000)
    expect(sheet).to_contain_text("no payload mass")
    expect(sheet.locator(".js-plotly-plot")).to_be_visible()
    area = sheet.locator("textarea").first
    area.fill(area.input_value() + '\n[session.payload]\nvalue = 12.0\nunit = "kg"\n')
    page.get_by_role("button", name="Show a joint").click()
    expect(sheet).not_to_contain_text("no payload mass", timeout=45_000)
    area.fill(area.input_value().replace('unit = "deg"', 'unit = "parsec"', 1))
    page.get_by_role("button", name="Show a joint").click()
    expect(sheet).to_contain_text("parsec", timeout=45_000)
    assert archive.sessions().height == 0


def test_a_wrong_map_is_refused_in_words(visit: Open, tmp_path: Path) -> None:
    archive = open_archive(tmp_path / "archive", create=True)
    page = visit(archive).go("/library")
    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name="Choose files").click()
    chooser.value.set_files([plain_log(tmp_path / "a.csv")])
    area = page.locator(".intake-sheet textarea").first
    expect(area).to_be_visible(timeout=45_000)
    area.fill('[log]\nlayout = "sideways"\n')
    page.get_by_role("button", name="Take in").click()
    expect(page.locator("#notice .message, .notice .message")).to_contain_text("layout")
    assert archive.sessions().height == 0


def test_learning_and_checking_run_behind_a_live_page(
    visit: Open, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive = catalogue(tmp_path / "few", 3)
    from dashboards.queries import work

    def slow(archive: Archive, sessions: object, step: Callable[..., None]) -> str:
        for n in range(200):
            step(n, 200, f"session {n}")
            time.sleep(0.05)
        return "never"

    monkeypatch.setattr(work, "check", slow)
    page = visit(archive).go("/library")
    page.get_by_role("button", name="Check all").click()
    tray = page.locator("#jobs-tray")
    expect(tray.locator("progress")).to_be_visible(timeout=45_000)
    page.get_by_label("Find").fill("s00001")  # the page stays live meanwhile
    expect(page.locator("#library-grid .ag-center-cols-container [role=row]")).to_have_count(1)
    tray.get_by_role("button", name="Cancel").click()
    expect(tray).to_contain_text("cancelled", timeout=45_000)


def test_learning_from_nothing_is_told_in_words(visit: Open, tmp_path: Path) -> None:
    archive = open_archive(tmp_path / "archive", create=True)
    page = visit(archive).go("/library")
    page.get_by_role("button", name="Learn from all").click()
    expect(page.locator("#jobs-tray")).to_contain_text("no session", timeout=45_000)


def test_chosen_rows_lead_to_the_comparison(visit: Open, heron: Archive) -> None:
    page = visit(heron).go("/library")
    boxes = page.locator("#library-grid .ag-selection-checkbox input")
    expect(boxes.nth(1)).to_be_visible(timeout=45_000)
    compare = page.get_by_role("button", name="Compare two")
    expect(compare).to_be_disabled()
    boxes.nth(0).check()
    boxes.nth(1).check()
    compare.click()
    page.wait_for_url(re.compile(r"/compare\?session=20310302-heron&with=20310303-heron"))


def test_the_list_is_saved_as_csv_and_parquet(visit: Open, heron: Archive) -> None:
    page = visit(heron).go("/library")
    for form, read in (("CSV", pl.read_csv), ("Parquet", pl.read_parquet)):
        with page.expect_download() as download:
            page.get_by_role("link", name=f"Save the list of sessions as {form}").click()
        rows = read(io.BytesIO(Path(download.value.path()).read_bytes()))
        assert sorted(rows["session"]) == ["20310301-heron", "20310302-heron", "20310303-heron"]


def test_a_foreign_page_cannot_send_files(visit: Open, heron: Archive) -> None:
    tab = visit(heron)
    tab.go("/library")
    answer = tab.page.request.post(tab.base + "/data/library/intake")
    assert answer.status == 403


def test_files_of_a_batch_are_kept_whole_or_not_at_all() -> None:
    hall = Intake()
    name = hall.open()
    with pytest.raises(UsageError, match="3 of 9 bytes arrived"):
        hall.receive(name, "a.csv", io.BytesIO(b"abc"), 9)
    batch = hall.batch(name)
    assert batch.logs == []
    assert list(batch.folder.iterdir()) == []
    hall.receive(name, "a.csv", io.BytesIO(b"abc"), 3)
    hall.receive(name, "m.toml", io.BytesIO(b'[log]\nlayout = "wide"\n'), None)
    hall.receive(name, "h.toml", io.BytesIO(b'[arm]\nname = "Heron"\n'), None)
    assert (batch.logs, batch.maps, batch.arms) == (["a.csv"], ["m.toml"], ["h.toml"])
    hall.discard(name)
    assert not batch.folder.exists()
    with pytest.raises(UsageError, match="no longer here"):
        hall.batch(name)


@pytest.mark.parametrize(
    ("given", "kept"),
    [("../../x.csv", "x.csv"), ("C:\\logs\\a b.csv", "a b.csv"), ("..", "log"), ("a\0b", "a_b")],
)
def test_file_names_cannot_leave_their_folder(given: str, kept: str) -> None:
    assert safe_name(given) == kept


def lacking(root: Path) -> Archive:
    """One session of ten minutes: J2 lost a tenth of its currents, J5 has every other rate."""
    archive = open_archive(root, create=True)
    n = 600
    row_ = pl.int_range(n, eager=True)
    columns = {"time": pl.Series([T0 + timedelta(seconds=k) for k in range(n)])}
    columns["time"] = columns["time"].cast(pl.Datetime("ns", "UTC"))
    for joint in ("J1", "J2", "J5"):
        for quantity in ("angle_deg", "current_a", "temperature_c"):
            columns[f"{joint}.{quantity}"] = row_.cast(pl.Float64) / 100
    frame = pl.DataFrame(columns).with_columns(
        pl.when(row_ % 10 > 0).then("J2.current_a").alias("J2.current_a"),
        # cold and slow on purpose: all joints' temperatures come every fourth row
        *(
            pl.when(row_ % 4 == 0).then(f"{j}.temperature_c").alias(f"{j}.temperature_c")
            for j in ("J1", "J2", "J5")
        ),
    )
    joints = ("J1", "J2", "J5", "J6")
    record = Session(
        session="s-lacking",
        source="log.csv",
        arm="Heron",
        rows=n,
        start=T0,
        end=T0 + timedelta(seconds=n - 1),
        joints=joints,
        units={j: f"TU-{j}" for j in joints},
        channels={"main": tuple(c for c in frame.columns if c != "time")},
        completeness=0.98,
    )
    archive.add_session(record, {"main": frame})
    return archive


def test_completeness_is_told_joint_by_joint(visit: Open, tmp_path: Path) -> None:
    archive = lacking(tmp_path / "archive")
    shares = by_joint(archive, ["s-lacking", "nosuch"])
    assert set(shares) == {"s-lacking"}
    assert shares["s-lacking"] == {
        "J1": pytest.approx(0.98),
        "J2": pytest.approx(0.98 * 0.9),
        "J5": pytest.approx(0.98),
        "J6": None,
    }
    tab = visit(archive)
    page = tab.go("/library")
    picture = page.locator(".ag-row-first .session-picture").first
    expect(picture).to_have_attribute(
        "aria-label", "no flags; 98 % complete; by joint: J1 98 %, J2 88.2 %, J5 98 %"
    )
    assert picture.locator(".pic-gauge.pic-short").count() == 3
    assert picture.locator(".pic-full").count() == 3  # J6 logged nothing: no gauge
    assert tab.errors == []


def test_only_rows_in_sight_are_opened_for_their_completeness(visit: Open, many: Archive) -> None:
    tab = visit(many)
    page = tab.go("/library")
    expect(page.locator(".ag-row-first .session-picture").first).to_be_visible(timeout=45_000)
    page.wait_for_function(
        "() => performance.getEntriesByType('resource')"
        ".some((e) => e.name.includes('/data/library/completeness'))"
    )
    page.wait_for_load_state("networkidle")
    asked = [r for r in tab.requests if "/data/library/completeness" in r]
    assert 1 <= len(asked) <= 3
    assert sum(r.count("session=") for r in asked) < 80


class Slow:
    """A stream that takes its time, as a long way to the server would."""

    def __init__(self, stream: IO[bytes]) -> None:
        self.stream = stream

    def read(self, size: int) -> bytes:
        time.sleep(0.05)
        return self.stream.read(min(size, 65_536))


def test_an_upload_can_be_cancelled(
    visit: Open, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive = open_archive(tmp_path / "archive", create=True)
    whole, folders = Intake.receive, []

    def slowly(self: Intake, name: str, file: str, stream: IO[bytes], size: int | None) -> str:
        folders.append(self.batch(name).folder)
        return whole(self, name, file, Slow(stream) if file == "long.csv" else stream, size)  # type: ignore[arg-type]

    monkeypatch.setattr(Intake, "receive", slowly)
    page = visit(archive).go("/library")
    page.wait_for_selector("#library-choose")
    page.evaluate(
        "jointbook.intake([new File([new Uint8Array(40e6)], 'long.csv'),"
        " new File(['t,a\\n'], 'short.csv')]); 0"
    )
    row = page.locator("#library-intake-files li", has_text="long.csv")
    expect(row.locator("progress")).to_be_visible()
    row.get_by_role("button", name="Cancel").click()
    expect(row).to_contain_text("stopped")
    short = page.locator("#library-intake-files li", has_text="short.csv")
    expect(short).to_contain_text("received", timeout=45_000)
    expect(page.locator("#library-confirm")).to_contain_text("short.csv", timeout=45_000)
    assert "long.csv" not in page.locator("#library-confirm").inner_text()
    end = time.monotonic() + 10
    while [f.name for f in folders[0].iterdir()] != ["short.csv"] and time.monotonic() < end:
        time.sleep(0.1)
    assert [f.name for f in folders[0].iterdir()] == ["short.csv"]  # no part of the other either


def test_tab_leaves_the_grid_and_arrows_go_about_in_it(visit, heron):
    page = visit(heron).go("/library")
    expect(page.locator(".ag-row").first).to_be_visible(timeout=45_000)
    page.locator("#library-grid .ag-cell").first.click(position={"x": 200, "y": 5})
    page.keyboard.press("ArrowDown")
    expect(page.locator(".ag-row").nth(1).locator(".ag-cell-focus").first).to_be_visible()
    page.keyboard.press("Tab")
    expect(page.locator("#library-choose")).to_be_focused()
    page.keyboard.press("Shift+Tab")
    page.keyboard.press("Shift+Tab")
    assert page.evaluate("!document.activeElement.closest('#library-grid')")
