"""A check whose flags have gone is not a silent one."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest

from dashboards.queries import catalogue
from replay.archive import Archive, open_archive, repair
from replay.checks import lost_flags
from replay.cli.main import main
from replay.reviews.signing_off.sign_offs import session_state
from tests.archive.streams import START, record, stream


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    archive = open_archive(tmp_path / "archive", create=True)
    for name in ("s1", "s2"):
        frame = stream(200)
        archive.add_session(record(name, frame), {"main": frame})
        flags = {"flag": ["a", "b"], "joint": ["J1"] * 2, "kind": ["friction"] * 2}
        more = {"severity": ["act"] * 2, "score": [5.0] * 2, "start": [START] * 2}
        rows = pl.DataFrame({"session": [name] * 2, **flags, **more, "end": [START] * 2})
        archive.replace("flags", rows, session=[name])
        check = {"session": [name], "baseline": ["b1"], "checked_at": [datetime.now(UTC)]}
        archive.replace("checks", pl.DataFrame(check | {"flags": [2]}), session=[name])
    return archive


def test_flags_that_went_with_a_file_are_called_lost(
    archive: Archive, capsys: pytest.CaptureFixture[str]
) -> None:
    assert lost_flags(archive) == {}
    assert catalogue.last_check(archive, "s1").startswith("Checked")
    for path in (archive.root / "tables/flags").glob("*.parquet"):
        if pl.read_parquet(path)["session"][0] == "s1":
            path.write_bytes(path.read_bytes()[:-40])
    repair(archive, drop=True)
    again = open_archive(archive.root)
    assert lost_flags(again) == {"s1": (0, 2)}
    assert "flags lost, check again (0 of 2" in catalogue.last_check(again, "s1")
    assert session_state(again, "s1") == "unchecked"
    listed = dict(catalogue.library(again).rows.select("session", "checked").iter_rows())
    assert listed == {"s1": False, "s2": True}
    assert main(["flags", "--archive", str(archive.root)]) == 0
    assert "s1: flags lost, check again" in capsys.readouterr().err


def test_a_check_that_raised_none_or_is_older_is_not_called_lost(archive: Archive) -> None:
    check = {"session": ["s1", "s2"], "baseline": ["b1"] * 2, "checked_at": [START] * 2}
    rows = pl.DataFrame(check | {"flags": [0, None]})
    archive.replace("checks", rows, session=["s1", "s2"])
    archive.replace("flags", pl.DataFrame(), session=["s1", "s2"])
    assert lost_flags(archive) == {}
