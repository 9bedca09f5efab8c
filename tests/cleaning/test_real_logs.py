"""Real logs, as they are. The whole files are read where they stand beside the project."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from replay.archive import open_archive
from replay.cleaning import ingest
from tests.cleaning.logs import notes, only, samples
from tests.real_logs import COBOT_CUT, HELD, MAPS, whole


def take(folder: Path, log: Path, log_map: str):  # type: ignore[no-untyped-def]
    """Ingest with one of the maps kept here."""
    archive = open_archive(folder / "archive", create=True)
    return archive, ingest(archive, log, log_map=MAPS / log_map)


def test_cut_of_the_collaborative_robot(tmp_path: Path) -> None:
    archive, result = take(tmp_path, COBOT_CUT, "cobot.toml")
    session = only(result)
    got = samples(archive, session)
    assert session.joints == ("J0", "J1", "J2", "J3", "J4", "J5")
    assert session.rows == 1301
    # first data row of the file, decimal commas and all
    assert got["J0.current_a"][0] == 0.109627604
    assert got["J5.rate_deg_s"][0] == pytest.approx(-0.152962238 * 57.29577951308232)
    assert got["J0.temperature_c"][0] == 27.875
    longest = max(notes(session, "gap"), key=lambda n: n.count)
    assert longest.end is not None
    assert longest.start is not None
    assert (longest.end - longest.start).total_seconds() == pytest.approx(18_814, abs=1)


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_whole_collaborative_robot(tmp_path: Path, ending: str) -> None:
    log = whole("cobotops", f"dataset_02052023.{ending}")
    archive, result = take(tmp_path, log, "cobot.toml")
    session = only(result)
    got = samples(archive, session)
    assert session.rows == 7409  # rows of the data set, by its README
    silent = got.filter(pl.all_horizontal(pl.col("^J.[.]rate_deg_s$").is_null()))
    assert silent.height == 54  # rows without sensor values must stay null
    assert silent["J1.current_a"].null_count() == 54
    assert session.start.isoformat().startswith("2022-10-26T08:17:21.847")


def test_csv_and_workbook_say_the_same(tmp_path: Path) -> None:
    tables = []
    for ending in ("csv", "xlsx"):
        archive, result = take(
            tmp_path / ending, whole("cobotops", f"dataset_02052023.{ending}"), "cobot.toml"
        )
        tables.append(samples(archive, only(result)))
    one, other = tables
    assert one["time"].to_list() == other["time"].to_list()
    difference = (one["J3.current_a"] - other["J3.current_a"]).abs().max()
    assert isinstance(difference, float)
    assert difference < 1e-6


def test_all_runs_of_the_mill(tmp_path: Path) -> None:
    archive, result = take(tmp_path, whole("cnc_mill"), "mill.toml")
    assert not result.refused
    assert len(result.sessions) == 18
    assert sum(s.rows for s in result.sessions) == 25_286  # rows of the data set, by its README
    assert archive.sessions()["rate_hz"].to_list() == pytest.approx([10.0] * 18)
    session = result.sessions[0]
    assert len(notes(session, "linear-axis")) == 9
    assert notes(session, "stated-start")


def test_temperature_alone_is_refused_in_clear_words(tmp_path: Path) -> None:
    archive = open_archive(tmp_path / "archive", create=True)
    result = ingest(archive, HELD / "nab_cut.csv")
    assert not result.sessions
    assert "no column looks like a motor current" in result.refused[0].reason
    only_temperature = '[log]\njoints = 1\n[time]\ncolumn = "timestamp"\n'
    only_temperature += '[joint.temperature]\ncolumn = "value"\nunit = "degF"\n'
    result = ingest(archive, HELD / "nab_cut.csv", log_map=only_temperature)
    assert "names no motor current" in result.refused[0].reason


def test_step_back_of_a_real_clock(tmp_path: Path) -> None:
    """Twelve instants are said twice: the clock was set back, and the first of each is kept."""
    frame = pl.read_csv(HELD / "nab_cut.csv").with_columns(i=pl.col("value") / 100)
    log = tmp_path / "log.csv"
    frame.write_csv(log)
    log_map = '[log]\njoints = 1\n[time]\ncolumn = "timestamp"\n'
    log_map += (
        '[joint.angle]\ncolumn = "value"\nunit = "deg"\n[joint.current]\ncolumn = "i"\nunit = "A"\n'
    )
    archive = open_archive(tmp_path / "archive", create=True)
    session = only(ingest(archive, log, log_map=log_map))
    (note,) = notes(session, "clock-step")
    assert note.count == 12
    assert "set back by up to 3300 s" in note.detail
    assert not notes(session, "contradiction")
    assert session.rows == 600 - 12
    assert notes(session, "no-zone")
