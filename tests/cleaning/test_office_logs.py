"""Logs as an office exports them: titles above the table, dates in a country's order."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from replay.errors import LogMapError
from replay.logs import load_map, propose_map
from replay.logs.times.patterns import guess_pattern, read_pattern
from tests.cleaning.logs import MAP, instants, notes, only, samples, table, take, text
from tests.cleaning.test_commands import jointbook

EPOCH = datetime(1970, 1, 1)
PATTERNS = ("%d.%m.%Y %H:%M:%S.%f", "%m/%d/%Y %H:%M:%S.%f", "%m/%d/%Y %I:%M:%S.%f %p")


def workbook(path: Path, frame: pl.DataFrame, titles: list[list[str]]) -> None:
    """Write a table into a workbook below rows of titles."""
    import xlsxwriter

    book = xlsxwriter.Workbook(str(path))
    sheet = book.add_worksheet()
    for place, row in enumerate([*titles, frame.columns, *frame.rows()]):
        sheet.write_row(place, 0, row)
    book.close()


@pytest.mark.parametrize(
    "titles",
    [
        [["Tarn Station, run 12"], ["exported", "2031-03-02"]],
        [[], ["Heron", "joints", "one to two"], []],
        [["run", "12", "on", "3"], ["", "", "all values as logged"]],
    ],
)
def test_titles_above_the_names_of_a_sheet(tmp_path: Path, titles: list[list[str]]) -> None:
    frame = table(100)
    workbook(tmp_path / "log.xlsx", frame, titles)
    archive, result = take(tmp_path, tmp_path / "log.xlsx")
    session = only(result)
    got = samples(archive, session)
    assert got["time"].to_list() == instants(100).to_list()
    assert got["J2.current_a"].to_list() == frame["i2"].to_list()
    (note,) = notes(session, "title-rows")
    assert note.count == len(titles)
    assert repr(next(w for row in titles for w in row if w)) in note.detail
    done = jointbook(tmp_path, "map", str(tmp_path / "log.xlsx"), "--json")
    assert note.detail.startswith(json.loads(done.stdout)["left_out"][0])


def test_a_sheet_that_begins_with_its_names_has_no_titles(tmp_path: Path) -> None:
    frame = table(50)
    units = pl.DataFrame({c: [{"a": "deg", "i": "A", "t": "UTC"}[c[0]]] for c in frame.columns})
    workbook(tmp_path / "log.xlsx", frame.cast(pl.String), [])
    workbook(tmp_path / "units.xlsx", pl.concat([units, frame.cast(pl.String)]), [])
    for name in ("log.xlsx", "units.xlsx"):
        proposal = propose_map(tmp_path / name)
        assert proposal.said == ()
        assert any(line.value == '"a{n}"' for line in proposal.lines)


@given(
    st.lists(st.datetimes(datetime(1700, 1, 1), datetime(2250, 1, 1)), min_size=1, max_size=20),
    st.sampled_from(PATTERNS),
)
def test_patterns_read_what_datetime_writes(at: list[datetime], pattern: str) -> None:
    """Python's own strftime is the reference."""
    ns = read_pattern(pl.Series([a.strftime(pattern) for a in at]), pattern)
    assert ns.to_list() == [(a - EPOCH) // timedelta(microseconds=1) * 1000 for a in at]


@pytest.mark.parametrize(
    "word", ["31.02.2031 10:00:00", "01.03.2031 10:00:60", "01.03.0031 10:00:00", "", "1.3.2031"]
)
def test_what_is_no_time_of_the_pattern_is_null(word: str) -> None:
    good = "01.03.2031 10:00:00,5"
    assert read_pattern(pl.Series([word, good]), "%d.%m.%Y %H:%M:%S").to_list() == [
        None,
        (datetime(2031, 3, 1, 10, 0, 0, 500_000) - EPOCH) // timedelta(microseconds=1) * 1000,
    ]


@pytest.mark.parametrize(
    ("words", "pattern", "sure"),
    [
        (["13.03.2031 10:00:00", "14.03.2031 10:00:00"], "%d.%m.%Y %H:%M:%S", True),
        (["03/13/2031 10:00:00.5", "03/14/2031 10:00:00"], "%m/%d/%Y %H:%M:%S", True),
        (["03/13/2031 1:00 PM", "03/13/2031 2:00 PM"], "%m/%d/%Y %I:%M %p", True),
        (["03/04/2031 10:00:00", "03/05/2031 10:00:00"], "%d/%m/%Y %H:%M:%S", False),
        (["03.04.2031 10:00:00", "03.05.2031 10:00:00"], "%d.%m.%Y %H:%M:%S", False),
    ],
)
def test_only_a_number_above_12_tells_the_day(words: list[str], pattern: str, sure: bool) -> None:
    found = guess_pattern(pl.Series(words))
    assert found is not None
    assert (found[0], found[1] >= 0.6) == (pattern, sure)


def test_days_and_months_that_cannot_both_be_are_no_dates() -> None:
    assert guess_pattern(pl.Series(["13.03.2031 10:00:00", "03.13.2031 10:00:00"])) is None


@pytest.mark.parametrize("pattern", ["%d.%m. %H:%M", "%Y-%m %H:%M", "%Y-%m-%d", "%Q", "%"])
def test_patterns_that_say_too_little_are_refused(pattern: str) -> None:
    with pytest.raises(LogMapError, match=r"time\.format"):
        load_map(MAP.replace("iso8601", pattern))


def test_a_log_with_such_times(tmp_path: Path) -> None:
    frame = table(100).with_columns(t=instants(100).dt.strftime("%d.%m.%Y %H:%M:%S%.3f"))
    (tmp_path / "log.csv").write_text(text(frame))
    log_map = MAP.replace('"iso8601"', '"%d.%m.%Y %H:%M:%S"\nscale = "UTC"')
    archive, result = take(tmp_path, tmp_path / "log.csv", log_map=log_map)
    session = only(result)
    assert samples(archive, session)["time"].to_list() == instants(100).to_list()
    assert {n.kind for n in session.quality} == {"no-zone"}
