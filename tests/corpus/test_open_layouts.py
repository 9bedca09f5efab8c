"""Logs in the layouts of open recorders: their lines counted, and what is stored of them."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from dashboards.figures.intake import joint_preview
from replay.archive import Archive, open_archive
from replay.cleaning import ingest
from replay.cleaning.preview import preview
from replay.logs import propose_map
from replay.records import Session
from replay.signals.joints import joint_table
from tests.corpus.open_layouts import (
    MAKERS,
    Layout,
    moves,
    open_layouts,
    panel_table,
    tagged_points,
    telemetry_messages,
)


def count(case: Layout) -> tuple[Counter[str], list[str]]:
    """Count a proposal's lines; name what is wrong and sure."""
    tally: Counter[str] = Counter()
    sure: list[str] = []
    proposal = propose_map(case.path)
    lines = {(x.table, x.key): x for x in proposal.lines}
    for (table, key), meant in case.lines.items():
        line = lines.get((table, key)) or lines.get((table, "columns" if key == "column" else key))
        if line is None:
            tally["right" if meant is None else "missing"] += 1
            continue
        told: object = json.loads(line.value)
        if key == "column" and table in proposal.columns:
            told = tuple(proposal.columns[table])
            told = told[0] if isinstance(meant, str) else told  # type: ignore[index]
        if meant is None and line.confidence <= 0.5:
            tally["asked"] += 1
        elif told == meant:
            tally["right"] += 1
        else:
            tally["wrong"] += 1
            sure += [f"{case.name} [{table}] {key} = {told}"] if line.confidence > 0.5 else []
    return tally, sure


def test_lines_of_open_layouts_are_right_or_asked(tmp_path: Path) -> None:
    tally: Counter[str] = Counter()
    sure: list[str] = []
    for case in open_layouts(tmp_path):
        one, two = count(case)
        tally += one
        sure += two
    assert not sure
    assert tally["wrong"] == 0
    assert tally["asked"] == 5  # what encoder counts and parts of a torque are in degrees and N m
    assert tally["right"] >= 0.98 * (tally.total() - tally["asked"]), tally


@pytest.mark.parametrize("make", MAKERS, ids=lambda m: m.__name__)
def test_no_layout_is_stored_wrong_unasked(tmp_path: Path, make: object) -> None:
    """A log without a map is refused with a question, or stored with the units that it is in."""
    case = make(tmp_path)  # type: ignore[operator]
    archive = open_archive(tmp_path / "archive", create=True)
    result = ingest(archive, [case.path])
    if result.refused:
        assert "not sure enough" in result.refused[0].reason
        return
    (session,) = result.sessions
    stored = archive.samples(session.session).collect()
    seeds = {m.__name__: 11 + n for n, m in enumerate(MAKERS)}
    hz = {"telemetry_messages": (13, 3, 400, 20), "units_in_a_row": (17, 3, 500, 25),
          "mnemonics": (20, 5, 700, 10), "tagged_points": (21, 3, 300, 10),
          "panel_table": (22, 6, 500, 12.5), "lists_in_a_table": (18, 7, 600, 50)}  # fmt: skip
    name = make.__name__  # type: ignore[attr-defined]
    assert hz[name][0] == seeds[name]
    m = moves(*hz[name])
    for place, joint in enumerate(session.joints):
        assert np.abs(stored[f"{joint}.angle_deg"].to_numpy() - m.angle[place]).max() < 6e-4
        assert np.abs(stored[f"{joint}.current_a"].to_numpy() - m.current[place]).max() < 6e-4


def stored_rows(folder: Path, case: Layout) -> tuple[Archive, Session]:
    archive = open_archive(folder / "archive", create=True)
    result = ingest(archive, [case.path])
    assert not result.refused, result.refused[0].reason
    return archive, result.sessions[0]


@pytest.mark.parametrize("apart_ms", [0, 7])
def test_rows_of_one_joint_each_are_read_by_joint(tmp_path: Path, apart_ms: int) -> None:
    archive, session = stored_rows(tmp_path, telemetry_messages(tmp_path, apart_ms))
    m = moves(13, 3, 400, 20)
    assert session.joints == ("J1", "J2", "J3")
    assert session.completeness == pytest.approx(1.0, abs=0.01)
    assert "joined-rows" not in {n.kind for n in session.quality}
    assert not [n for n in session.quality if n.kind == "gap"]
    for place, joint in enumerate(session.joints):
        table = joint_table(archive, session.session, joint)
        assert table.height == 400
        assert np.abs(table["angle_deg"].to_numpy() - m.angle[place]).max() < 1e-4
        assert np.abs(table["current_a"].to_numpy() - m.current[place]).max() < 6e-4
        assert table["brake_engaged"].to_list() == m.braked[place].tolist()
        since = table["t_s"].to_numpy() - m.t_s
        assert np.abs(since - place * apart_ms / 1000).max() < 1e-6


def test_channels_named_by_two_columns_are_read(tmp_path: Path) -> None:
    archive, session = stored_rows(tmp_path, tagged_points(tmp_path))
    m = moves(21, 3, 300, 10)
    stored = archive.samples(session.session).collect()
    for place in range(3):
        for quantity, values in (("angle_deg", m.angle), ("current_a", m.current)):
            got = stored[f"J{place + 1}.{quantity}"].to_numpy()
            assert np.abs(got - values[place]).max() < 1e-4


def test_brake_words_of_a_sheets_numbers_are_kept(tmp_path: Path) -> None:
    """A sheet's 1 is 1.0 in one place of the program and 1 in another: both are one word."""
    archive, session = stored_rows(tmp_path, panel_table(tmp_path))
    m = moves(22, 6, 500, 12.5)
    stored = archive.samples(session.session).collect()
    for place in range(6):
        assert stored[f"J{place + 1}.brake_engaged"].to_list() == m.braked[place].tolist()


def test_joints_by_name_keep_the_order_they_come_in(tmp_path: Path) -> None:
    m = moves(31, 2, 300, 20)
    rows = ["t_s,dev,angle_deg,current_A"]
    for k, t in enumerate(m.t_s):
        for n, name in enumerate(("shoulder", "elbow")):
            rows.append(f"{t:.2f},{name},{m.angle[n, k]:.4f},{m.current[n, k]:.4f}")
    path = tmp_path / "log.csv"
    path.write_text("\n".join(rows) + "\n")
    proposal = propose_map(path)
    lines = {(x.table, x.key): x for x in proposal.lines}
    assert json.loads(lines["log", "joints"].value) == ["shoulder", "elbow"]
    asked = lines["log", "joint_column"]
    assert (asked.value, asked.confidence) == ('"dev"', 0.5)  # what `dev` is, only a person knows
    archive = open_archive(tmp_path / "archive", create=True)
    assert "joint_column" in ingest(archive, [path]).refused[0].reason


def test_a_column_that_tells_no_joints_apart_is_refused(tmp_path: Path) -> None:
    case = telemetry_messages(tmp_path)
    text = (
        '[log]\njoints = 3\njoint_column = "ts"\n[time]\ncolumn = "ts"\nformat = "epoch-ms"\n'
        '[joint.angle]\ncolumn = "{n}.angle_deg"\nunit = "deg"\n'
        '[joint.current]\ncolumn = "{n}.current_ma"\nunit = "mA"\n'
    )
    archive = open_archive(tmp_path / "archive", create=True)
    (refusal,) = ingest(archive, [case.path], log_map=text).refused
    assert "does not tell joints apart" in refusal.reason


def test_a_joint_of_such_a_log_is_drawn_before_it_is_taken_in(tmp_path: Path) -> None:
    case = telemetry_messages(tmp_path, 7)
    seen = preview(case.path, propose_map(case.path).log_map())
    figure = joint_preview("J2", seen.time_s, seen.channels)
    drawn = figure.data[0].y
    assert len(drawn) > 100
    assert np.isfinite(drawn).all()


def test_a_count_within_a_second_is_no_joint(tmp_path: Path) -> None:
    m = moves(32, 2, 300, 10)
    rows = ["time,index,q1_deg,q2_deg,i1_A,i2_A"]
    for k in range(300):
        cells = [*(f"{v:.4f}" for v in m.angle[:, k]), *(f"{v:.4f}" for v in m.current[:, k])]
        rows.append(",".join([f"2031-03-01T00:00:{k // 10:02d}Z", str(k % 10), *cells]))
    path = tmp_path / "log.csv"
    path.write_text("\n".join(rows) + "\n")
    proposal = propose_map(path)
    assert ("log", "joint_column") not in {(x.table, x.key) for x in proposal.lines}
    assert proposal.columns["joint.angle"] == ("q1_deg", "q2_deg")
