"""Reports say what they must, show it in grey vectors, and run nothing."""

from __future__ import annotations

import base64
import re
import shutil
import zlib
from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest

import replay
from replay.archive import open_archive
from replay.cli.main import main
from replay.errors import UsageError
from replay.reports import ReportError, session_report, summary_report, unit_report
from replay.reports.drawing.canvas import broken
from replay.reports.drawing.finding_plot import finding_plots
from replay.reports.drawing.history_plot import history_plot
from replay.reports.rendering import pdf_of
from replay.reports.session_tables import brakes_table, wear_table
from replay.reports.wear_changes import SCHEMA as CHANGES
from replay.reviews import add_pin, findings, judge, sign, statement
from replay.reviews.judgements.dispositions import Reasons
from replay.wear.indicators import METHOD, SCHEMA
from tests.reviews.makers import T0, flag_row, keep_flags
from tests.signals.makers import START, archive_of, trapezoid

REASONS = Reasons(
    observed="held back for a minute",
    cause=None,
    severity="III",
    likelihood="D",
    nonconformance="minor",
    decision="rework",
    reason="the cover rubbed",
    conditions="not before it is refitted",
    owner="Q. Vance",
    verification="turned by hand",
)


@pytest.fixture(scope="module")
def reviewed(yard, tmp_path_factory):
    """A copy of the archive in which somebody decided, signed, and wrote odd notes."""
    archive, session = yard
    root = tmp_path_factory.mktemp("reviewed") / "archive"
    shutil.copytree(archive.root, root)
    archive = open_archive(root)
    found = findings(archive, session)
    names = [f.finding for f in found]
    note = "<script>alert(1)</script>"
    judge(archive, session, names, "repair", reviewer="R. Moss", note=note, reasons=REASONS)
    add_pin(archive, session, found[0].start, text="<img src=x onerror=alert(2)> 振動", author="Ø")
    sign(archive, session, reviewer="K. Fell", mark=statement(archive, session).mark)
    return archive, session


@pytest.fixture(scope="module")
def report(reviewed):
    return session_report(*reviewed)


def words_of(html):
    return " ".join(re.sub(r"<[^>]+>", " ", html).split())


def test_a_report_says_what_it_rests_on(reviewed, report):
    archive, session = reviewed
    record, stated = archive.session(session), statement(archive, session)
    said = words_of(report.html)
    for text in (
        "it never clears an arm to move",
        "State: signed. Signed by K. Fell",
        f"{stated.unjudged_joint_h:.3f} joint-hours not judged",
        f"completeness {100 * record.completeness:.2f} %",
        f"{stated.baseline}, checked",
        record.raw_sha256,
        "Rule: ECSS-E-ST-33-01C, edition 2009-03-06",
        "repair:",
        "R. Moss",
        "severity III (marginal), likelihood D (remote): Medium (MIL-STD-882E Table III)",
        "minor (ECSS-Q-ST-10-09C)",
        "not before it is refitted",
        "cause not known",
        "jointbook 0.1.0",
        "Wear since the session before",
    ):
        assert text in said, text


def test_what_moved_is_what_was_logged(reviewed, report):
    archive, session = reviewed
    turned = archive.samples(session, channels=["P1.angle_deg"]).collect()["P1.angle_deg"].diff()
    travel = float(turned.abs().filter(turned.abs() > 0.02).sum())
    row = re.search(r"P1</td><td[^>]*>TU-P1</td><td[^>]*>([\d.]+)</td>", report.html)
    assert float(row[1]) == pytest.approx(travel, rel=0.03)


def test_a_report_needs_nothing_and_runs_nothing(report):
    assert re.findall(r'(?:src|href)="(?!data:image/svg)', report.html) == []
    assert "<script" not in report.html
    assert "<img src=x" not in report.html
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in report.html
    assert "default-src 'none'" in report.html
    assert "振動" in report.html


def test_plots_are_grey_vectors_with_title_units_legend_and_instants(reviewed, report):
    archive, session = reviewed
    finding = findings(archive, session)[0]
    drawings = dict(report.drawings)
    drawing = drawings["finding-1-1.svg"]
    assert base64.b64encode(drawing.encode()).decode() in report.html
    texts = re.findall(r"<text[^>]*>([^<]*)</text>", drawing)
    assert f"Finding 1, joint {finding.joints[0]}: {finding.kind}" in texts
    assert {"current, A", "rate, deg/s", "measured", "expected", "commanded", "finding"} <= set(
        texts
    )
    assert f"UTC, {finding.start:%Y-%m-%d}" in texts
    early, late = finding.start - timedelta(minutes=2), finding.end + timedelta(minutes=2)
    clocks = [t for t in texts if re.fullmatch(r"\d\d:\d\d:\d\d(\.\d+)?", t)]
    assert len(clocks) >= 3
    assert all(f"{early:%H:%M}" <= c[:5] <= f"{late:%H:%M}" for c in clocks)
    for name, svg in drawings.items():
        for red, green, blue in re.findall(r"#(\w\w)(\w\w)(\w\w)\b", svg):
            assert red == green == blue, f"{name} has the colour #{red}{green}{blue}"
        assert "<image" not in svg


def test_no_line_is_drawn_across_a_gap():
    t = np.concatenate([np.arange(0.0, 5.0, 0.1), np.arange(20.0, 25.0, 0.1)])
    at, shown = broken(t, np.ones(t.size))
    assert np.isnan(shown).sum() == 1
    assert at[np.isnan(shown)] == pytest.approx(4.9)
    assert not np.isnan(broken(t, np.ones(t.size), least_s=16.0)[1]).any()


def test_the_pdf_holds_vectors_only(report):
    made = report.pdf()
    assert made.startswith(b"%PDF-")
    whole = made + b"".join(inflated(made))
    pages = len(re.findall(rb"/Type ?/Page\b(?!s)", whole))
    assert pages >= 3
    assert not re.search(rb"/Subtype ?/Image", whole)
    shaded = pdf_of('<img src="data:image/png;base64,' + DOT + '">')
    assert re.search(rb"/Subtype ?/Image", shaded + b"".join(inflated(shaded)))


DOT = "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAIAAACQd1PeAAAADElEQVR4nGNgYGAAAAAEAAEnNCcKAAAAAElFTkSuQmCC"
"""A picture of one grey dot: what the test above must be able to find."""


def inflated(pdf):
    """Return what the packed streams of a PDF hold."""
    for packed in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", pdf, flags=re.S):
        try:
            yield zlib.decompress(packed)
        except zlib.error:
            continue


def test_a_pdf_fetches_nothing(tmp_path):
    secret = tmp_path / "secret.svg"
    secret.write_text("<svg xmlns='http://www.w3.org/2000/svg'><text>secret</text></svg>")
    with pytest.raises(ReportError, match="fetches nothing"):
        pdf_of(f'<img src="{secret.as_uri()}">')


def test_an_unsigned_report_is_a_draft_and_says_what_is_open(yard):
    said = words_of(session_report(*yard).html)
    count = len(findings(*yard))
    assert f"Draft: this session is not signed off; findings without a disposition: {count}" in said
    assert "open: nobody has decided" in said


def test_an_unchecked_session_is_not_called_healthy(yard):
    archive, _ = yard
    checked = archive.table("checks")["session"].to_list()
    other = next(s for s in archive.sessions()["session"] if s not in checked)
    said = words_of(session_report(archive, other).html)
    assert "was not checked: nothing can be said of findings" in said
    assert "None was found" not in said


def test_a_summary_counts_findings_states_and_hours(reviewed):
    archive, session = reviewed
    found = findings(archive)
    said = words_of(summary_report(archive, title="Spring campaign").html)
    assert "Spring campaign" in said
    assert f"findings {len(found)}:" in said
    assert "sessions 1 open; 1 signed; 5 unchecked" in said
    day = archive.session(session).start
    alone = words_of(summary_report(archive, since=day, until=day + timedelta(days=1)).html)
    assert "Summary of 1 session: Bench" in alone
    assert "sessions 1 signed" in alone
    with pytest.raises(UsageError, match="no session"):
        summary_report(archive, arm="Kestrel")


def test_a_units_sheet_has_trend_limit_maintenance_and_findings(reviewed):
    archive, session = reviewed
    with pytest.raises(UsageError, match="no measured session"):
        unit_report(archive, "TU-P1")
    replay.indicators(archive)
    replay.add_maintenance(archive, "TU-P1", "2031-04-03", "relubricated", "after the noise")
    replay.wear.set_limit(archive, "coulomb friction", 1.9, serial="TU-P1")
    made = unit_report(archive, "TU-P1")
    said = words_of(made.html)
    assert "coulomb friction, A" in said
    assert "2031-04-03 relubricated after the noise" in said
    row = re.search(r"coulomb friction, A</td>(.*?)</tr>", made.html)[1]
    assert ">1.9</td>" in row
    assert findings(archive, session)[0].summary.split(" ")[1] in said
    assert "repair" in said
    used = {r["indicator"]: r["total"] for r in replay.wear.duty(archive, "TU-P1").to_dicts()}
    shown = dict(re.findall(r"<td[^>]*>([a-z ]+)</td><td[^>]*>([^<]*)</td>", made.html))
    assert shown["hours moving"] == f"{used['hours moving']:.3g} h"  # never rounded to nothing
    assert shown["starts"] == f"{used['starts']:.0f}"


def test_a_stop_that_fell_into_a_gap_has_no_angle():
    """Of what stopped unseen only the longest way is known; that is no measured angle."""
    seen = {"stop_s": 0.4, "stop_angle_deg": 0.2, "delay_s": 0.1, "delay_status": "measured"}
    unseen = {"stop_s": None, "stop_angle_deg": 2.6, "delay_s": None, "delay_status": "interval"}
    both = {"event": "engage", "on_the_move": True, "delay_high_s": 10.5, "time": T0}
    events = [("J1", seen), ("J1", unseen), ("J2", unseen)]
    rows = brakes_table(pl.DataFrame([{"joint": j} | how | both for j, how in events])).rows
    assert [row[-1] for row in rows] == ["0.2", "–"]


def test_the_command_writes_both_forms(yard, tmp_path, capsys):
    archive, session = yard
    where = ["--archive", str(archive.root), "--out", str(tmp_path)]
    assert main(["report", session, "--form", "html", *where]) == 0
    assert [p.name for p in tmp_path.iterdir()] == [f"report-{session}.html"]
    assert main(["report", "--arm", "Bench", *where]) == 0
    assert {p.suffix for p in tmp_path.glob("summary-*")} == {".html", ".pdf"}
    assert main(["report", *where]) == 2
    assert "a report of what?" in capsys.readouterr().err
    assert main(["report", "--since", "soon", *where]) == 2


def test_a_unit_sheet_tells_of_a_session_that_its_trend_is_silent_on(reviewed):
    """It said "brake holding slip: steady" over a history with a slip of 0.8 deg in it."""
    archive, _ = reviewed
    quiet = [0.003, 0.0029, 0.0001, 0.797, 0.002, 0.0031, 0.003, 0.0028]
    plain = {
        "arm": "Heron", "joint": "J1", "serial": "TU-FAR", "indicator": "brake holding slip",
        "unit": "deg", "se": 0.002, "n": 9, "at": T0, "baseline": "", "method": METHOD,
        "reference_stage": 3,
    }  # fmt: skip
    history = pl.DataFrame(
        [
            dict.fromkeys(SCHEMA)
            | plain
            | {"session": f"h-{k}", "start": T0 + timedelta(days=30 * k), "value": value}
            for k, value in enumerate(quiet)
        ],
        schema=SCHEMA,
    )
    archive.replace("indicators", history, session=history["session"].to_list())
    said = words_of(unit_report(archive, "TU-FAR").html)
    assert "brake holding slip: One session lies far from the others: 0.797 deg" in said


def test_a_findings_number_stands_above_the_plot_whose_line_it_marks(report):
    drawing = dict(report.drawings)["currents.svg"]
    tops, numbers = [], []
    for axes in re.split(r'<g id="axes_\d+">', drawing)[1:]:
        top = float(re.search(r"<path d=\"M \S+ \S+ \nL \S+ \S+ \nL \S+ (\S+) ", axes)[1])
        bold = (
            r'<text style="[^"]*font-weight: (?:bold|700)[^"]*" x="\S+" y="(\S+)"[^>]*>([\d, ]+)<'
        )
        told = re.findall(bold, axes)
        tops.append(top)
        numbers += [(float(y), top, words) for y, words in told]
    assert len(tops) == 2
    assert {"1"} <= {words for _, _, words in numbers}
    assert all(y <= top for y, top, _ in numbers), numbers


def test_one_session_is_drawn_in_its_months_with_ticks_that_say_their_day():
    schema = {"date": pl.Datetime("us", "UTC"), "what": pl.String}
    notes = pl.DataFrame(schema=schema)
    alone = pl.DataFrame({"start": [T0], "value": [1.0], "se": [0.1]})
    dates = re.findall(r">(\d{4}[-\d]*)<", history_plot(alone, notes, None, None, "friction"))
    assert len(dates) >= 2
    assert len(set(dates)) == len(dates)
    assert {d[:4] for d in dates} == {f"{T0:%Y}"}
    twice = pl.DataFrame(
        {"start": [T0, T0 + timedelta(days=4 * 365)], "value": [1.0, 2.0], "se": [0.1, 0.1]}
    )
    years = re.findall(r">(\d{4}[-\d]*)<", history_plot(twice, notes, None, None, "friction"))
    assert len(set(years)) == len(years) >= 3


def test_a_report_prints_minus_signs_as_its_drawings_do(report):
    said = words_of(report.html)
    assert "\N{MINUS SIGN}" in said
    assert not re.search(r"(?<![\w.-])-\d", said)


BOOM = """[arm]
name = "boom"
gravity_m_s2 = [0.0, 0.0, -9.81]
[arm.tip]
xyz_m = [2, 0, 0]
[[joints]]
name = "J1"
gear_ratio = 100.0
torque_constant_nm_a = 1.0
current_limit_a = 9.0
brake_torque_nm = 1600.0
[joints.geometry]
axis = [0, -1, 0]
[joints.link]
mass_kg = 10.0
centre_m = [2, 0, 0]
"""


def boom(folder):
    """An archive with one session of a boom that swings once and is held."""
    t = np.arange(0, 60, 0.02)
    angle, rate = trapezoid(t, [(0, 0), (3, 0), (5, 2), (15, 2), (17, 0), (61, 0)])
    channels = {
        "J1.angle_deg": angle,
        "J1.rate_deg_s": rate,
        "J1.current_a": 1.962 + 0.5 * np.sign(rate),
        "J1.brake_engaged": (t < 2) | (t > 20),
    }
    return archive_of(folder, {"main": channels}, {"main": t}, arm_toml=BOOM)


def rows_of_margins(archive):
    """Return what the report's table of margins says of motor and brake, cell by cell."""
    section = session_report(archive, "s").html.split("<h2>Margins</h2>")[1].split("<h2>")[0]
    rows = [re.findall(r"<td[^>]*>([^<]*)</td>", row) for row in section.split("<tr>")]
    return {row[2]: row for row in rows if row}


@pytest.mark.parametrize("kind", ["brake-slip", "late-release"])
def test_a_brake_that_was_flagged_has_no_margin_to_rest_on(tmp_path, kind):
    """It said "1,600 Nm available, margin 3.08" of a brake that had slipped in the session."""
    archive = boom(tmp_path)
    sound = rows_of_margins(archive)
    assert float(sound["brake"][5]) == pytest.approx(1600 / (2 * 196.2) - 1, abs=0.1)
    assert sound["brake"][7] == "rated torque, not measured"
    start = (START - T0).total_seconds() + 40
    keep_flags(archive, flag_row("f1", "J1", "act", kind=kind, start=start), session="s")
    flagged = rows_of_margins(archive)
    assert flagged["motor"] == sound["motor"]
    assert flagged["brake"][3] == "1,600 rated"
    assert flagged["brake"][5] == "withheld"
    what = {"brake-slip": "a slip", "late-release": "a late release"}[kind]
    assert flagged["brake"][7] == (
        f"rated torque, not measured; {what} of this brake was flagged in this session: "
        "its rating does not say that it holds"
    )


def test_a_flag_of_another_kind_leaves_the_brake_its_margin(tmp_path):
    archive = boom(tmp_path)
    start = (START - T0).total_seconds() + 10
    keep_flags(archive, flag_row("f1", "J1", "act", start=start), session="s")
    assert float(rows_of_margins(archive)["brake"][5]) > 3


def test_two_margins_say_what_each_is_a_margin_of(tmp_path):
    """The motor's was 0.32 and "margin left" 47.9 %, and nothing told them apart."""
    said = words_of(session_report(boom(tmp_path), "s").html)
    assert "margin of torque" in said
    assert "the highest friction of its steady motion at any rate" in said
    assert "“margin left”, which is of motor current with friction" in said
    row = dict.fromkeys(CHANGES) | {
        "joint": "J1", "serial": "TU-J1", "indicator": "margin left", "unit": "%", "before": 55.0,
        "now": 47.9, "change": -7.1, "change_se": 0.5, "previous": "r", "trend": "falling",
    }  # fmt: skip
    listed = wear_table(pl.DataFrame([row], schema=CHANGES), 1).note
    assert "Margin left is a margin of motor current, in %" in listed
    other = pl.DataFrame([row | {"indicator": "coulomb friction"}], schema=CHANGES)
    assert "margin left" not in wear_table(other, 1).note.lower()


@pytest.mark.parametrize("kind", ["brake-slip", "angle-sensor"])
def test_a_finding_in_the_angle_is_drawn_with_its_angle_on_top(yard, kind):
    archive, session = yard
    found = findings(archive, session)[0]
    record = archive.session(session)

    def panels(finding):
        drawing = finding_plots(archive, record, finding, 1, None)[0]
        return re.findall(r">((?:angle|current|rate), [^<]+)<", drawing)

    assert panels(found) == ["current, A", "rate, deg/s"]
    assert panels(replace(found, kind=kind)) == ["angle, deg", "current, A", "rate, deg/s"]
