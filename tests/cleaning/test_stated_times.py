"""Times that do not fit what the log map says of them are refused or told."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from replay.errors import LogMapError
from replay.logs import load_map
from tests.cleaning.logs import MAP, notes, only, table, take, text
from tests.start import START_NS

EPOCH_2000_NS = 946_684_800_000_000_000


def _with_times(folder: Path, times: list[object], kind: str = "csv") -> Path:
    frame = table(len(times)).with_columns(pl.Series("t", times))
    log = folder / f"log.{kind}"
    if kind == "csv":
        log.write_text(text(frame))
    else:
        frame.write_parquet(log)
    return log


def _map(form: str, more: str = "") -> str:
    return MAP.replace('"iso8601"', f'"{form}"\n{more}')


def _agency_code(ns: int) -> str:
    """Return P-field 2F and 4 + 3 octets that count from 2000-01-01."""
    return f"2F{((ns - EPOCH_2000_NS) << 24) // 1_000_000_000:014X}"


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_milliseconds_called_seconds_are_refused(tmp_path: Path, kind: str) -> None:
    log = _with_times(tmp_path, [1_930_089_600_000 + 100 * k for k in range(400)], kind)
    result = take(tmp_path, log, log_map=_map("epoch-s"))[1]
    assert not result.sessions
    assert "epoch-s" in result.refused[0].reason


def test_seconds_called_milliseconds_are_told(tmp_path: Path) -> None:
    log = _with_times(tmp_path, [1_930_089_600 + k for k in range(400)])
    session = only(take(tmp_path, log, log_map=_map("epoch-ms"))[1])
    (note,) = notes(session, "improbable-date")
    assert "1970" in note.detail


def test_an_agency_epoch_counts_in_the_stated_scale(tmp_path: Path) -> None:
    log = _with_times(tmp_path, [_agency_code(START_NS + 10**8 * k) for k in range(400)])
    epoch = 'epoch = "2000-01-01T00:00:00Z"\nscale = "UTC"'
    session = only(take(tmp_path, log, log_map=_map("ccsds-cuc", epoch))[1])
    assert session.start.isoformat() == "2031-03-01T00:00:00+00:00"


def test_an_agency_epoch_without_a_scale_is_wrong() -> None:
    with pytest.raises(LogMapError, match="scale"):
        load_map(_map("ccsds-cuc", 'epoch = "2000-01-01T00:00:00Z"'))


def test_an_agency_epoch_that_nobody_stated_is_named(tmp_path: Path) -> None:
    log = _with_times(tmp_path, [_agency_code(START_NS + 10**8 * k) for k in range(400)])
    result = take(tmp_path, log, log_map=_map("ccsds-cuc"))[1]
    assert "agency epoch: state it in the log map" in result.refused[0].reason


@pytest.mark.parametrize("stated", [True, False])
def test_a_scale_that_nobody_stated_is_not_called_stated(tmp_path: Path, stated: bool) -> None:
    log = tmp_path / "log.csv"
    log.write_text(text(table()).replace("Z", ""))
    log_map = _map("iso8601", 'scale = "UTC"' if stated else "")
    session = only(take(tmp_path, log, log_map=log_map)[1])
    assert ("as the log map says" in notes(session, "no-zone")[0].detail) == stated
    assert bool(notes(session, "time-scale")) != stated


@pytest.mark.parametrize(
    "pattern", ["%Y%m%dT%H%M%S%.3fZ", "%Y-%m-%dT%H:%M:%S%.3f+00", "%Y%m%dT%H%M%S%.3f+0000"]
)
def test_iso_8601_without_signs_or_minutes_of_zone(tmp_path: Path, pattern: str) -> None:
    instants = table()["t"].str.to_datetime(time_zone="UTC", time_unit="ns")
    log = _with_times(tmp_path, instants.dt.strftime(pattern).to_list())
    session = only(take(tmp_path, log)[1])
    assert session.start.isoformat() == "2031-03-01T00:00:00+00:00"
    assert session.rows == 400
    assert not notes(session, "no-zone")


def test_a_day_of_year_without_a_year_says_what_is_missing(tmp_path: Path) -> None:
    log = _with_times(tmp_path, [f"060:00:{k // 60:02d}:{k % 60:02d}.0" for k in range(400)])
    result = take(tmp_path, log, log_map=_map("day-of-year"))[1]
    assert "start" in result.refused[0].reason


def test_days_of_year_go_on_over_new_year(tmp_path: Path) -> None:
    days = np.repeat([364, 365, 1, 2], 100)
    times = [f"{d:03d}:{k % 100 // 5:02d}:{k % 5 * 12:02d}:00.0" for k, d in enumerate(days)]
    log = _with_times(tmp_path, times)
    start = 'start = "2031-12-01T00:00:00Z"'
    session = only(take(tmp_path, log, log_map=_map("day-of-year", start))[1])
    assert session.rows == 400
    assert session.start.date().isoformat() == "2031-12-30"
    assert session.end.date().isoformat() == "2032-01-02"


@pytest.mark.parametrize("rows", [400, 70_000])
def test_one_time_for_all_rows_is_called_too_coarse(tmp_path: Path, rows: int) -> None:
    log = _with_times(tmp_path, ["2031-03-01T00:00:00Z"] * rows)
    assert "too coarse" in take(tmp_path, log)[1].refused[0].reason
