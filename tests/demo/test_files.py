"""Demo logs as files: readable by the tool, true to the simulation, the same each time."""

import json
import tomllib
import zipfile
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from replay.archive import open_archive
from replay.arm import load_arm
from replay.cleaning import ingest
from replay.demo import SessionPlan, arm_toml, heron, simulate_session
from replay.demo.recorder import Habits
from replay.demo.writing.files import FORMATS
from replay.demo.writing.making import make
from replay.demo.writing.sample import write_sample
from replay.errors import UsageError
from replay.logs import load_map
from replay.units import channel

SAMPLES = Path(__file__).parents[2] / "sample_logs"
TOLERANCE = {"angle_deg": 1e-3, "current_a": 0.0051, "temperature_c": 0.06}


@pytest.mark.parametrize("base_end", ["A", "B"])
@pytest.mark.parametrize("name", list(FORMATS))
def test_what_was_simulated_comes_back_through_ingest(name, base_end, tmp_path):
    form = FORMATS[name]
    frame, _ = simulate_session(
        SessionPlan(
            minutes=1.5,
            style="technician",
            payload_kg=150.0,
            base_end=base_end,
            habits=Habits(0.0, 0, 0, 0),
        ),
        4,
    )
    path = tmp_path / f"log{form.suffix}"
    form.write(frame, path)
    archive = open_archive(tmp_path / "archive", create=True)
    result = ingest(archive, [path], log_map=load_map(form.map_toml), arm=load_arm(arm_toml()))
    assert not result.refused
    (session,) = result.sessions

    def pair(name: str) -> tuple[pl.Series, pl.Series]:
        """What the archive has and what was simulated, on the archive's instants."""
        stream = archive.stream_of(session, name)
        found = archive.samples(session.session, stream=stream, channels=[name]).collect()
        both = found.drop_nulls().join_asof(
            frame.select("time", pl.col(name).alias("true")), on="time", strategy="nearest"
        )
        return both[name], both["true"]

    for joint in heron.NAMES:
        for quantity, tolerance in TOLERANCE.items():
            found, true = pair(channel(joint, quantity))
            assert found.len() > (5 if quantity == "temperature_c" else 1700)
            assert np.abs((found - true).to_numpy()).max() < tolerance, (joint, quantity)
        found, true = pair(channel(joint, "brake_engaged"))
        assert found.equals(true, check_names=False)
        assert found.n_unique() == 2
    assert pair("payload_kg")[0].unique().to_list() == [150.0]
    assert set(pair("base_end")[0]) == {base_end}
    found, true = pair("phase")
    assert found.equals(true, check_names=False)


def test_a_log_counted_from_the_base_needs_a_base_that_stays(tmp_path):
    frame, _ = simulate_session(SessionPlan(minutes=4.0, style="walk"), 4)
    with pytest.raises(UsageError, match="base"):
        FORMATS["long"].write(frame, tmp_path / "log.csv")
    assert not (tmp_path / "log.csv").exists()


def content(path: Path) -> object:
    """What a file says, whatever version of a library wrote it."""
    if path.suffix == ".xlsx":
        with zipfile.ZipFile(path) as book:
            return {name: book.read(name) for name in book.namelist()}
    if path.suffix != ".parquet":
        return path.read_bytes()
    try:
        return pl.read_parquet(path).to_dict(as_series=False)
    except pl.exceptions.ComputeError:
        return "cut short"


def test_the_sample_logs_are_what_their_command_writes(tmp_path):
    """Whoever reads the README runs one command and has the same logs, to the last digit."""
    write_sample(tmp_path)
    names = {p.name for p in SAMPLES.iterdir()} - {"README.md"}
    assert {p.name for p in tmp_path.iterdir()} == names
    assert [n for n in sorted(names) if content(tmp_path / n) != content(SAMPLES / n)] == []
    assert content(SAMPLES / "2032-05-26-inspection.parquet") == "cut short"
    assert sum((SAMPLES / n).stat().st_size for n in names) < 12_000_000


def test_the_sample_logs_hold_what_their_readme_promises():
    contents = tomllib.loads((SAMPLES / "contents.toml").read_text())
    listed = [n for g in contents["logs"] for n in g["files"]]
    logs = {p.name for p in SAMPLES.iterdir() if p.suffix in (".csv", ".parquet", ".xlsx")}
    assert set(listed) == logs
    assert len({g["map"] for g in contents["logs"]}) >= 3
    truth = json.loads((SAMPLES / "truth.json").read_text())
    assert {s["source"] for s in truth["sessions"]} == logs
    kinds = {e["kind"] for s in truth["sessions"] for e in s["events"]}
    assert len(kinds) >= 6
    healthy = [s for s in truth["sessions"] if not s["events"]]
    assert len(healthy) >= 8
    worn = {w["serial"] for w in truth["wear"] if w["per_year"] > 0}
    assert worn == {"TU-102", "TU-104"}
    units = [load_arm(SAMPLES / n) for n in ("heron.toml", "heron-from-2032-01.toml")]
    assert [a.joint("J2").serial for a in units] == ["TU-102", "TU-108"]


def test_make_writes_a_folder_that_ingests_whole(tmp_path):
    logs = make(tmp_path / "logs", sessions=4, hours=0.03, seed=5, rate_hz=10.0)
    assert [p.suffix for p in logs] == [".csv", ".parquet", ".csv", ".xlsx"]
    contents = tomllib.loads((tmp_path / "logs" / "contents.toml").read_text())
    archive = open_archive(tmp_path / "archive", create=True)
    for group in contents["logs"]:
        result = ingest(
            archive,
            [tmp_path / "logs" / n for n in group["files"]],
            log_map=load_map(tmp_path / "logs" / group["map"]),
            arm=load_arm(tmp_path / "logs" / group["arm"]),
        )
        assert not result.refused
    assert archive.sessions().height == 4
    again = make(tmp_path / "again", sessions=4, hours=0.03, seed=5, rate_hz=10.0)
    assert [p.read_bytes() for p in again] == [p.read_bytes() for p in logs]
    assert (tmp_path / "again/truth.json").read_text() == (tmp_path / "logs/truth.json").read_text()


def test_an_arm_starts_where_it_was_left(tmp_path):
    first, second = make(
        tmp_path, sessions=2, hours=0.02, seed=5, formats=("parquet",), fault_rate=0.0
    )
    end = pl.read_parquet(first)[-1]
    start = pl.read_parquet(second)[0]
    for n in range(1, 8):
        assert start[f"joint{n}_angle"][0] == pytest.approx(end[f"joint{n}_angle"][0], abs=1e-3)


@pytest.mark.parametrize(
    "wrong", [{"formats": ("tape",)}, {"formats": ()}, {"sessions": 0}, {"hours": 0.0}]
)
def test_orders_that_make_no_sense_are_refused(wrong, tmp_path):
    with pytest.raises(UsageError):
        make(tmp_path / "logs", **wrong)
    assert not (tmp_path / "logs").exists()
