"""Summaries of a week, an arm and a campaign say what the archive and the record hold."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from html import unescape

import pytest

from replay.archive import open_archive
from replay.reports import summary_report
from replay.reports.rendering import pdf_of
from replay.reviews import findings, judge, sign, statement
from tests.reports.test_reports import REASONS, words_of
from tests.reviews.makers import T0, add_session, at, flag_row, keep_flags

CARRIES = "by the operator's own rules whether the arm may carry anyone"


@pytest.fixture(scope="module")
def many(tmp_path_factory):
    """Heron: a1 signed, a2 with a slip, a3 unchecked, a4 nine days later; Kestrel: k1 checked."""
    archive = open_archive(tmp_path_factory.mktemp("many") / "archive", create=True)
    for name, arm, day in (("a1", "Heron", 0), ("a2", "Heron", 1), ("a3", "Heron", 2),
                           ("a4", "Heron", 9), ("k1", "Kestrel", 3)):  # fmt: skip
        add_session(archive, name, arm=arm, day=day)
    keep_flags(archive, flag_row("x1", "J1", "act", score=9.0), session="a1", joint_hours=0.05)
    slip = flag_row("x2", "J2", "act", kind="brake-slip", score=8.0)
    keep_flags(
        archive, slip, flag_row("x3", "J3", "look", start=40.0), session="a2", joint_hours=0.03
    )
    keep_flags(archive, flag_row("x4", "J4", "note"), session="a4", joint_hours=0.04)
    keep_flags(archive, flag_row("x5", "J1", "look"), session="k1", joint_hours=0.06)
    names = {s: [f.finding for f in findings(archive, s)] for s in ("a1", "a2")}
    judge(archive, "a1", names["a1"], "repair", reviewer="R. Moss", reasons=REASONS)
    judge(archive, "a2", names["a2"][1:], "watch", reviewer="Q. Vance")
    sign(archive, "a1", reviewer="K. Fell", mark=statement(archive, "a1").mark)
    return archive


def rows_of(html, heading):
    """Return the cells of the table under a heading, row by row."""
    part = html.split(f">{heading}</h2>")[1].split("</table>")[0]
    rows = re.findall(r"<tr>(.*?)</tr>", part, flags=re.S)
    cells = [[words_of(c) for c in re.findall(r"<td[^>]*>(.*?)</td>", r, flags=re.S)] for r in rows]
    return [row for row in cells if row]


def facts_of(html):
    return {row[0]: row[-1] for row in (
        [words_of(c) for c in re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", r, flags=re.S)]
        for r in re.findall(r"<tr>(.*?)</tr>", html, flags=re.S)) if len(row) == 2}  # fmt: skip


def test_a_week(many):
    made = summary_report(many, arm="Heron", since=T0, until=T0 + timedelta(days=7))
    said, facts = words_of(made.html), facts_of(made.html)
    assert [r[0] for r in rows_of(made.html, "Sessions")] == ["a1", "a2", "a3"]
    assert "Summary of 3 sessions: Heron" in said
    assert facts["sessions"] == "1 open; 1 signed; 1 unchecked"
    assert facts["judged"] == "0.08 of 0.20 joint-hours; 0.12 joint-hours not judged"
    assert facts["findings"] == "3: 2 act, 1 look, 0 note"
    assert facts["verdicts"] == "1 open, 1 repair, 1 watch"
    assert "A brake slipped, or may have" in said
    assert "Not checked: 1 of 3 sessions; nothing can be said of findings there." in said
    assert "Draft: not signed off: 2 of 3 sessions." in said
    assert CARRIES in unescape(said)
    assert "it never clears an arm to move" in said


def test_an_arm(many):
    made = summary_report(many, arm="Kestrel")
    said, facts = words_of(made.html), facts_of(made.html)
    assert [r[0] for r in rows_of(made.html, "Sessions")] == ["k1"]
    (finding,) = rows_of(made.html, "Findings, worst first")
    held = findings(many, "k1")[0]
    assert finding[:4] == ["look", "k1", held.place, held.kind]
    assert finding[6] == "open"
    assert facts["judged"].startswith("0.06 of 0.07 joint-hours")
    assert "A brake slipped" not in said
    assert "Not checked" not in said
    assert "In 1 of 1 session it is not known for all the time if a person was on the tip." in said


def test_a_campaign_by_its_sessions(many):
    record = many.session("a4")
    told = replace(record, session="a5", person_on_tip=True)
    if not many.has_session("a5"):
        many.add_session(told, {"main": many.samples("a4").collect()})
    made = summary_report(many, sessions=["a1", "a4", "a5"], title="Spring <campaign>")
    said, facts = words_of(made.html), facts_of(made.html)
    assert "Spring &lt;campaign&gt;" in made.html
    assert [r[0] for r in rows_of(made.html, "Sessions")] == ["a1", "a4", "a5"]
    by = {r[1]: r[-3:] for r in rows_of(made.html, "Findings, worst first")}
    assert by["a1"] == ["repair", "rework", "R. Moss"]
    assert facts["findings"] == "2: 1 act, 0 look, 1 note"
    assert facts["judged"].startswith("0.09 of 0.20 joint-hours")
    assert "A person was on the tip in 1 of 3 sessions; in 2 it is not known" in said
    assert CARRIES in unescape(said)
    assert pdf_of(made.html).startswith(b"%PDF")


def test_an_unchecked_week_is_not_called_free_of_findings(many):
    made = summary_report(many, since=at(2 * 86_400), until=at(2.5 * 86_400))
    said = words_of(made.html)
    assert "Nothing was checked." in said
    assert "None was found" not in said
    assert "Not checked: 1 of 1 session;" in said
