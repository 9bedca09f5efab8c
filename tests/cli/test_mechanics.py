"""`jointbook mechanics` on a session of the demo arm with a known slip."""

import json

import pytest

from replay.archive import open_archive
from replay.cli.main import main
from replay.demo import FaultWish, SessionPlan, session_record, simulate_session


@pytest.fixture(scope="module")
def slipped(tmp_path_factory):
    folder = tmp_path_factory.mktemp("archive")
    plan = SessionPlan(
        minutes=6.0, rate_hz=20.0, faults=(FaultWish("brake-slip", joint="J4", grade="clear"),)
    )
    frame, truth = simulate_session(plan, 11)
    archive = open_archive(folder, create=True)
    record = session_record(plan, frame)
    archive.add_session(record, {"main": frame})
    return folder, record.session, [e for e in truth["events"] if e["kind"] == "brake-slip"]


def document(folder, session, capsys):
    assert main(["mechanics", session, "--archive", str(folder), "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_the_slip_is_measured_and_no_other_brake_is_blamed(slipped, capsys):
    folder, session, planted = slipped
    found = document(folder, session, capsys)
    assert len(planted) == 1
    (slip,) = found["slips"]
    assert slip["joint"] == planted[0]["joint"]
    assert abs(slip["slip_deg"]) == pytest.approx(abs(planted[0]["size"]), rel=0.15)
    assert {h["joint"] for h in found["held_stretches"]} >= {"J1", "J4"}


def test_every_part_is_there_with_its_units_in_the_names(slipped, capsys):
    folder, session, _ = slipped
    found = document(folder, session, capsys)
    assert found["friction"]
    assert all(t["se"] > 0 for f in found["friction"] for t in f["terms"] if t["determined"])
    assert {r["joint"] for r in found["duty"]} == {f"J{n}" for n in range(1, 8)}
    for case in found["tip"]["cases"]:
        assert case["fastest_m_s"] >= 0
        assert case["limit_m_s"] > 0
    margin = next(m for m in found["margins"] if m["what"] == "motor")
    assert margin["margin"] == pytest.approx(margin["available_nm"] / margin["required_nm"] - 1)


def test_a_brake_that_slipped_has_no_margin_of_its_rating(slipped, capsys):
    """This session was never checked; what was measured under the brake is enough."""
    folder, session, _ = slipped
    brakes = {
        m["joint"]: m for m in document(folder, session, capsys)["margins"] if m["what"] == "brake"
    }
    assert brakes["J4"]["margin"] is None
    assert "deg under this brake and stayed there: its rating does not" in brakes["J4"]["note"]
    for joint in ("J1", "J2", "J3"):
        assert brakes[joint]["margin"] > 0
        assert brakes[joint]["note"] == "rated torque, not measured"
    assert main(["mechanics", session, "--archive", str(folder)]) == 0
    assert "withheld" in capsys.readouterr().out.partition("\nMargins\n")[2]


def test_a_person_reads_the_same(slipped, capsys):
    folder, session, _ = slipped
    assert main(["mechanics", session, "--archive", str(folder)]) == 0
    text = capsys.readouterr().out
    for title in ("Friction", "Brakes", "Tip speed", "Margins", "Duty"):
        assert f"\n{title}\n" in text


def test_an_unknown_session_is_told(slipped, capsys):
    folder, _, _ = slipped
    assert main(["mechanics", "nosuch", "--archive", str(folder)]) == 1
    assert "nosuch" in capsys.readouterr().err
