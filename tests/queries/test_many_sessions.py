"""Pages of an archive with many sessions ask for those they show."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from dashboards.pages.library_pages import library
from dashboards.queries import catalogue
from dashboards.queries.session import sessions
from replay.archive import Archive, open_archive
from replay.archive.schemas import TABLES
from tests.reviews.makers import add_session


@pytest.fixture(scope="module")
def long(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    """A thousand sessions, one a day; their files are not there and are not asked for."""
    archive = open_archive(tmp_path_factory.mktemp("long") / "archive", create=True)
    start = [datetime(2029, 1, 1, 8, tzinfo=UTC) + timedelta(days=k) for k in range(1000)]
    frame = pl.DataFrame(
        {
            "session": [f"S{k:04d}" for k in range(1000)],
            "arm": "Heron",
            "start": start,
            "end": [s + timedelta(minutes=5) for s in start],
            "record": "{}",
        },
        schema_overrides={"start": TABLES["sessions"]["start"], "end": TABLES["sessions"]["end"]},
    )
    archive.append("sessions", frame.sample(fraction=1.0, shuffle=True, seed=1))
    return archive


@pytest.fixture
def listed_by_start(long: Archive, monkeypatch: pytest.MonkeyPatch) -> Archive:
    class Bare:
        def __init__(self, start: datetime) -> None:
            self.start = start

    def record(name: str) -> Bare:
        return Bare(datetime(2029, 1, 1, 8, tzinfo=UTC) + timedelta(days=int(name[1:])))

    monkeypatch.setattr(long, "session", record)
    return long


def test_the_picker_reaches_every_month_of_a_long_archive(
    listed_by_start: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive = listed_by_start
    near = sessions.listing(archive, near="S0400")["session"].to_list()
    assert len(near) == 300
    assert near[0] > "S0400" > near[-1]
    assert near == sorted(near, reverse=True)
    assert sessions.listing(archive, near="S0999")["session"][0] == "S0999"
    assert sessions.listing(archive, near="S0000")["session"][-1] == "S0000"
    assert sessions.listing(archive, near="S0000").height == 300
    assert sessions.listing(archive, near="nobody")["session"][0] == "S0999"
    months = sessions.months(archive)
    assert months[0] == ("2031-09", "S0999", 27)
    assert months[-1] == ("2029-01", "S0030", 31)
    assert sum(count for _, _, count in months) == 1000
    monkeypatch.setattr(sessions, "MANY", 999)
    assert sessions.months(archive) == []


def test_the_library_lists_the_newest_of_very_many_and_says_so(tmp_path: Path) -> None:
    archive = open_archive(tmp_path / "archive", create=True)
    names = [f"s{day}" for day in range(1, 6)]
    for day, name in enumerate(names):
        add_session(archive, name, day=day)
    flags = [
        {"session": n, "flag": f"{n}-f", "joint": "J1", "severity": "act", "kind": "friction"}
        for n in names
    ]
    archive.replace("flags", pl.DataFrame(flags), session=names)
    checks = pl.DataFrame({"session": names, "flags": [1, 1, 1, 1, 2]})
    archive.replace("checks", checks, session=names)
    whole, few = catalogue.library(archive), catalogue.library(archive, 2)
    assert whole.rows["session"].to_list() == ["s5", "s4", "s3", "s2", "s1"]
    assert few.rows.equals(whole.rows.head(2))
    assert few.rows["checked"].to_list() == [False, True], "a flag of s5 is lost"
    assert (few.of_all, whole.of_all) == (5, 5)
    assert library._count_words(whole) == "5 sessions"
    said = library._count_words(few)
    assert said.startswith("5 sessions; the 2 newest are listed")
    assert catalogue.library(archive, 5).rows.equals(whole.rows)
