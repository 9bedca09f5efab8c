"""A date in one column and the time of day in another are one instant."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from replay.cleaning import ingest
from replay.cleaning.preview import preview
from replay.logs import load_map, propose_map
from tests.cleaning.logs import MAP, notes, only, samples, table, take, text

TOLD = MAP.replace('column = "t"', 'column = "Time"\ndate = "Date"')
BEFORE_MIDNIGHT_NS = 1_931_385_540_250_000_000
"""2031-03-15T23:59:00.25Z: the log goes on past midnight."""


def parted(folder: Path, date: str, clock: str, hz: float = 5.0, rows: int = 600) -> Path:
    """Write a log with its date and its time of day in these two forms."""
    ns = BEFORE_MIDNIGHT_NS + np.round(np.arange(rows) / hz * 1e9).astype(np.int64)
    when = pl.Series(ns).cast(pl.Datetime("ns", "UTC"))
    words = {"a": "angle (deg)", "i": "current (A)"}
    names = {f"{q}{n}": f"J{n} {w}" for n in (1, 2) for q, w in words.items()}
    frame = table(rows).drop("t").rename(names)
    frame = frame.with_columns(pl.col(pl.Float64).round(3))
    frame.insert_column(0, when.dt.strftime(clock).alias("Time"))
    frame.insert_column(0, when.dt.strftime(date).alias("Date"))
    path = folder / "log.csv"
    path.write_text(text(frame, ";"))
    return path


def instants_of(rows: int = 600, hz: float = 5.0) -> list[int]:
    return (BEFORE_MIDNIGHT_NS + np.round(np.arange(rows) / hz * 1e9).astype(np.int64)).tolist()


@pytest.mark.parametrize(
    ("date", "clock", "form"),
    [
        ("%Y-%m-%d", "%H:%M:%S%.3f", "iso8601"),
        ("%d.%m.%Y", "%H:%M:%S%.3f", "%d.%m.%Y %H:%M:%S"),
        ("%d/%m/%Y", "%H:%M:%S%.6f", "%d/%m/%Y %H:%M:%S"),
        ("%m/%d/%Y", "%H:%M:%S%.3f", "%m/%d/%Y %H:%M:%S"),
    ],
)
def test_it_is_found_and_read_to_the_nanosecond(
    tmp_path: Path, date: str, clock: str, form: str
) -> None:
    path = parted(tmp_path, date, clock)
    proposal = propose_map(path)
    told = {(x.table, x.key): x.value for x in proposal.lines}
    assert told["time", "column"] == '"Time"'
    assert told["time", "date"] == '"Date"'
    assert told["time", "format"] == f'"{form}"'
    assert not proposal.doubts, proposal.doubts
    archive, result = take(tmp_path, path, log_map=None)
    session = only(result)
    assert samples(archive, session)["time"].cast(pl.Int64).to_list() == instants_of()
    assert not notes(session, "unused")


def test_a_day_that_may_be_a_month_is_asked(tmp_path: Path) -> None:
    path = parted(tmp_path, "04/05/%Y", "%H:%M:%S%.3f", rows=200)
    told = {(x.table, x.key): x for x in propose_map(path).lines}
    assert told["time", "format"].confidence < 0.6


def test_what_the_map_says_is_wrong_or_damaged_is_told(tmp_path: Path) -> None:
    path = parted(tmp_path, "%Y-%m-%d", "%H:%M:%S%.3f")
    log_map = TOLD.replace("a{n}", "J{n} angle (deg)").replace("i{n}", "J{n} current (A)")
    seen = preview(path, load_map(log_map))
    assert seen.start.startswith("2031-03-15T23:59:00.250")
    lines = path.read_text().splitlines()
    cut = lines[100].split(";")
    lines[100] = ";".join(["", *cut[1:]])  # no date in one row
    path.write_text("\n".join(lines) + "\n")
    archive, result = take(tmp_path, path, log_map=log_map)
    session = only(result)
    assert session.rows == 599
    assert notes(session, "time")[0].count == 1
    missing = ingest(archive, [path], log_map=log_map.replace('date = "Date"', 'date = "Day"'))
    assert "time.date: no column 'Day'" in missing.refused[0].reason
