"""Tables fit the terminal and cut nothing; what is not known is refused with what is near."""

import json
import socket
import subprocess
import sys
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from replay.archive import open_archive
from replay.cli.known import nearest
from replay.cli.main import main
from replay.cli.output import Bar, each_once
from replay.cli.tables import table_text, write_tables
from replay.errors import UsageError
from tests.checks.sessions import add, bench

LONG = "J4: the angle leaves its place by 0.80 deg while the brake is engaged, " * 3


@pytest.fixture(scope="module")
def flagged(tmp_path_factory):
    """Two short sessions of a bench with two joints, three flags on the first."""
    folder = tmp_path_factory.mktemp("tables") / "archive"
    archive = open_archive(folder, create=True)
    for day in range(2):
        add(archive, f"s{day:02d}", bench(day, minutes=1.0), day=day)
    record = archive.session("s00")
    start = record.start + timedelta(seconds=5)
    rows = [
        {
            "flag": f"F{n}",
            "session": "s00",
            "joint": record.joints[n % 2],
            "unit": record.units[record.joints[n % 2]],
            "kind": kind,
            "start": start,
            "end": start + timedelta(seconds=2),
            "score": 3.1415926535 + n,
            "severity": "look",
            "summary": LONG.strip(),
            "baseline": None,
            "group": None,
            "evidence": "{}",
        }
        for n, kind in enumerate(("friction", "gap", "load"))
    ]
    frame = pl.DataFrame(rows, schema_overrides={"baseline": pl.String, "group": pl.String})
    archive.replace("flags", frame, session=["s00"])
    return folder, record


@pytest.mark.parametrize("columns", [60, 80, 120, 200])
def test_no_line_is_wider_than_the_terminal_and_no_sentence_is_cut(columns):
    frame = pl.DataFrame({"joint": ["J1", "J2"], "score": [1.23456789, 2.0], "said": [LONG, "no"]})
    text = table_text(frame, columns)
    assert max(map(len, text.splitlines())) <= columns
    assert " ".join(LONG.split()) in " ".join(text.split())
    assert "1.235" in text
    assert "1.2345" not in text


def test_a_table_of_many_columns_becomes_blocks_on_a_narrow_terminal():
    frame = pl.DataFrame({f"quantity {n}": [float(n) + 0.123456] for n in range(30)})
    text = table_text(frame, 80)
    assert max(map(len, text.splitlines())) <= 80
    assert all(f"quantity {n}: " in text for n in range(30))


def test_flags_shows_ids_and_verdicts_within_80_columns(flagged, capsys, monkeypatch):
    folder, _ = flagged
    monkeypatch.setenv("COLUMNS", "80")
    assert main(["flags", "--archive", str(folder)]) == 0
    said = capsys.readouterr().out
    assert max(map(len, said.splitlines())) <= 80
    for name in ("F0", "F1", "F2", "open"):
        assert name in said
    assert " ".join(said.split()).count(" ".join(LONG.split())) == 3
    assert "…" not in said


@pytest.mark.parametrize("ending", ["csv", "parquet", "json"])
def test_the_table_of_flags_is_written_in_each_format(flagged, tmp_path, ending, capsys):
    folder, _ = flagged
    out = tmp_path / f"flags.{ending}"
    assert main(["flags", "--archive", str(folder), "--out", str(out)]) == 0
    readers = {"csv": pl.read_csv, "parquet": pl.read_parquet}
    if ending == "json":
        rows = json.loads(out.read_text())["flags"]
    else:
        rows = readers[ending](out).to_dicts()
    assert sorted(r["flag"] for r in rows) == ["F0", "F1", "F2"]
    assert {r["verdict"] for r in rows} == {"open"}


def test_several_tables_go_to_files_of_their_own(tmp_path):
    frames = {"rates": pl.DataFrame({"a": [1]}), "kinds": pl.DataFrame({"b": [["x", "y"]]})}
    written = write_tables(frames, str(tmp_path / "out.csv"))
    assert [p.name for p in written] == ["out-rates.csv", "out-kinds.csv"]
    assert pl.read_csv(written[1])["b"].to_list() == ["x, y"]
    with pytest.raises(UsageError, match="no such format"):
        write_tables(frames, str(tmp_path / "out.txt"))


@pytest.mark.parametrize(
    ("words", "code", "near"),
    [
        (["flags", "--joint", "Q33"], 2, "there are"),
        (["flags", "--kind", "frition"], 2, "nearest: friction"),
        (["flags", "--severity", "lok"], 2, "nearest: look"),
        (["flags", "s000"], 1, "nearest: s00"),
        (["mechanics", "s000"], 1, "nearest: s00"),
        (["wear", "--indicator", "coulomb frction"], 2, "coulomb friction"),
    ],
)
def test_what_is_not_known_is_refused_with_what_is_near(flagged, capsys, words, code, near):
    folder, _ = flagged
    assert main([*words, "--archive", str(folder)]) == code
    assert near in capsys.readouterr().err


def test_a_command_that_is_none_is_answered_with_the_nearest(capsys):
    assert main(["flgas"]) == 2
    assert "nearest: flags" in capsys.readouterr().err
    assert nearest("j3", ["J1", "J2", "J3"])[0] == "J3"


def test_the_version_is_said():
    done = subprocess.run(
        [sys.executable, "-m", "replay", "--version"], capture_output=True, text=True, check=True
    )
    assert done.stdout.startswith("jointbook ")
    assert done.stdout.split()[1][0].isdigit()


def test_a_port_in_use_is_told_in_our_own_words(flagged, capsys):
    folder, _ = flagged
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        assert main(["serve", "--archive", str(folder), "--port", str(port)]) == 2
    said = capsys.readouterr().err
    assert f"another program answers on port {port}" in said
    assert "Address already in use" not in said


def test_notes_that_repeat_are_said_once_with_a_count():
    notes = [(f"s{n}", "no brake words") for n in range(5)] + [("s9", "late clock")]
    assert each_once(notes) == [
        "no brake words (5 sessions: s0, s1, s2 and 2 more)",
        "s9: late clock",
    ]


def test_a_bar_ends_at_its_end():
    with Bar() as bar:
        bar.show("learning", 3, 7)
    assert bar.bar.n == 7


def test_a_bar_of_work_that_failed_stays_where_it_stood():
    bar = Bar()

    def fail() -> None:
        with bar:
            bar.show("learning", 3, 7)
            raise ValueError("stop")

    with pytest.raises(ValueError, match="stop"):
        fail()
    assert bar.bar.n == 3


def test_instants_and_absences_are_shown_short():
    frame = pl.DataFrame(
        {"at": [datetime(2031, 3, 1, 9, 0, 0, 123456, tzinfo=UTC), None], "n": [None, 12345.678]}
    )
    text = table_text(frame, 80)
    assert "2031-03-01T09:00:00.123Z" in text
    assert "12346" in text
    assert "null" not in text
