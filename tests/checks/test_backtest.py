from datetime import UTC, datetime, timedelta

import numpy as np
import orjson
import pytest

from replay.archive import open_archive
from replay.checks.matching import Known, Raised, known_events, match
from replay.cli.main import main
from replay.errors import UsageError
from tests.checks.sessions import add, bench, between

START = datetime(2031, 4, 1, tzinfo=UTC)


def at(seconds):
    return START + timedelta(seconds=seconds)


def test_a_flag_elsewhere_in_time_or_on_another_joint_is_false():
    known = [Known("s", "J1", "friction", at(100), at(200), "clear", ("J2",))]
    raised = [
        Raised("s", "J1", "friction", at(105), at(150)),
        Raised("s", "J2", "stall", at(190), at(191)),
        Raised("s", "J3", "friction", at(120), at(130)),
        Raised("s", "J1", "friction", at(300), at(310)),
        Raised("other", "J1", "friction", at(105), at(150)),
    ]
    tally = match(known, raised, 10.0)
    summary = tally.summary()
    assert summary["recall"]["value"] == 1.0
    assert summary["false_flags"] == 3
    assert summary["false_per_100h"]["value"] == pytest.approx(30.0)
    assert tally.found[0].delay_s == 5.0


def test_one_flag_does_not_find_an_event_it_does_not_touch():
    known = [Known("s", "J1", "friction", at(100), at(110))]
    raised = [Raised("s", "J1", "friction", at(111.5), at(120))]
    assert match(known, raised, 1.0).summary()["recall"]["value"] == 0.0


def test_recall_has_the_exact_interval():
    # Clopper and Pearson 1934: 0 of 10 at 90 % reaches 1 - 0.05**(1/10)
    known = [Known("s", "J1", "gap", at(k * 100), at(k * 100 + 1)) for k in range(10)]
    recall = match(known, [], 1.0).summary()["recall"]
    assert recall["high"] == pytest.approx(1 - 0.05**0.1)


def test_a_truth_file_of_another_shape_is_refused():
    with pytest.raises(UsageError, match="list `sessions`"):
        known_events([{"events": []}], {})


def run_json(capsysbinary, *words):
    code = main([*words, "--json"])
    return code, orjson.loads(capsysbinary.readouterr().out)


@pytest.fixture(scope="module")
def history(tmp_path_factory):
    """Nine healthy sessions, three with friction, and their truth file."""
    root = tmp_path_factory.mktemp("history")
    archive = open_archive(root / "archive", create=True)
    entries = []
    for k in range(12):
        columns = bench(k)
        events = []
        if k >= 9:
            mask = between(columns, 120, 300) & columns["P1"]["_moving"]
            columns["P1"]["current_a"][mask] += 0.8 * np.sign(columns["P1"]["_rate"][mask])
            day = START + timedelta(days=k)
            events = [
                {
                    "joint": "P1",
                    "kind": "friction",
                    "start": (day + timedelta(seconds=120)).isoformat(),
                    "end": (day + timedelta(seconds=300)).isoformat(),
                    "grade": "clear",
                }
            ]
        add(archive, f"s{k:02d}", columns, day=k)
        entries.append({"source": f"s{k:02d}.csv", "joint_hours": 0.2, "events": events})
    truth = root / "truth.json"
    truth.write_bytes(orjson.dumps({"sessions": entries}))
    return root / "archive", truth


def test_backtest_finds_more_than_both_plain_detectors(history, capsysbinary):
    archive, truth = history
    code, said = run_json(
        capsysbinary, "backtest", "--archive", str(archive), "--truth", str(truth)
    )
    assert code == 0
    ours, *plain = said["detectors"].values()
    assert ours["recall"]["value"] == 1.0
    assert ours["right_joint"]["value"] == 1.0
    assert len(plain) == 2
    assert all(p["events"] == 3 for p in plain)
    assert max(p["recall"]["value"] for p in plain) <= ours["recall"]["value"]


def test_commands_learn_check_and_list(history, capsysbinary, tmp_path):
    archive = str(history[0])
    healthy = [f"s{k:02d}" for k in range(9)]
    code, learned = run_json(capsysbinary, "learn", *healthy, "--archive", archive)
    assert code == 0
    assert learned["baseline"].startswith("b1-")
    code, checked = run_json(capsysbinary, "check", "s09", "s10", "nothing", "--archive", archive)
    assert code == 1
    assert [f["session"] for f in checked["failed"]] == ["nothing"]
    assert {"flag", "session", "joint", "kind", "start", "end", "score", "severity"} <= set(
        checked["flags"][0]
    )
    assert isinstance(checked["flags"][0]["evidence"], dict)
    out = tmp_path / "flags.csv"
    code, listed = run_json(
        capsysbinary, "flags", "--kind", "friction", "--out", str(out), "--archive", archive
    )
    assert {f["kind"] for f in listed["flags"]} == {"friction"}
    assert out.read_text().count("\n") == 1 + len(listed["flags"])


@pytest.mark.parametrize(
    "words",
    [
        ("learn", "--false-flags-per-100h", "0"),
        ("flags", "--since", "yesterday"),
        ("backtest", "--truth", "not-there.json"),
    ],
)
def test_wrong_usage_is_code_two(history, words):
    assert main([*words, "--archive", str(history[0])]) == 2
