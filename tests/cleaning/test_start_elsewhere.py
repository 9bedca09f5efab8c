"""A start in a log's folder or beside it is kept with the session, so that it is made again."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from replay.archive.care.rebuild import rebuild
from replay.cli.operations.archive import _ingest_again
from replay.logs import load_map
from tests.cleaning.logs import MAP, notes, only, samples, table, take, text

SECONDS = MAP.replace('format = "iso8601"', 'format = "seconds"\n{more}')
INLINE = 'joint = {{ angle = {{ column = "a{{n}}", unit = "deg" }}, current = {{ column = "i{{n}}", unit = "A" }} }}\nlog = {{ joints = 2 }}\ntime = {{ column = "t", format = "seconds", {more} }}\n'  # noqa: E501


def log_at(folder: Path, place: str) -> Path:
    """Write a log of seconds whose start stands in its name, its folder or beside it."""
    stamp = "20310301_061500"
    home = folder / (f"run_{stamp}" if place == "folder" else "runs")
    home.mkdir()
    path = home / (f"{stamp}.csv" if place == "name" else "log.csv")
    frame = table(200).with_columns(t=pl.int_range(200) / 10)
    path.write_text(text(frame))
    if place == "sidecar":
        path.with_suffix(".start").write_text(f"began {stamp}\n")
    return path


@pytest.mark.parametrize("place", ["name", "folder", "sidecar"])
@pytest.mark.parametrize("form", ["table", "inline"])
def test_a_session_is_made_again_with_its_start(tmp_path: Path, place: str, form: str) -> None:
    path = log_at(tmp_path, place)
    if form == "table":
        more = f'start_from = "{place}"\nstart_format = "%Y%m%d_%H%M%S"'
        log_map = SECONDS.replace("{more}", more)
    else:
        more = f'start_from = "{place}", start_format = "%Y%m%d_%H%M%S"'
        log_map = INLINE.format(more=more)
    archive, result = take(tmp_path, path, log_map=log_map)
    session = only(result)
    assert session.start.isoformat() == "2031-03-01T06:15:00+00:00"
    (note,) = notes(session, "stated-start")
    whose = {"name": "file's name", "folder": "folder's name", "sidecar": "file beside it"}
    assert whose[place] in note.detail
    assert load_map(session.map_toml or "").time.format == "seconds"
    assert [r.outcome for r in rebuild(archive, _ingest_again)] == ["same"]
    again = take(tmp_path, path, log_map=log_map)[1]
    assert again.unchanged == [session.session]


def test_two_recorders_that_count_from_their_folders_start_are_one_session(tmp_path: Path) -> None:
    path = log_at(tmp_path, "folder")
    more = 'start_from = "folder"\nstart_format = "%Y%m%d_%H%M%S"'
    frame = table(200).with_columns(t=pl.int_range(200) / 10)
    path.with_name("more.csv").write_text(text(frame[150:]))
    log_map = SECONDS.replace("{more}", more)
    archive, result = take(tmp_path, path, path.with_name("more.csv"), log_map=log_map)
    assert samples(archive, only(result))["J1.angle_deg"].to_list() == frame["a1"].to_list()


def test_logs_of_one_session_that_count_from_their_names_are_read_anew(tmp_path: Path) -> None:
    """The first log asks for it, and both are read: they meet their own octets, as they should."""
    frame = table(200).with_columns(t=pl.int_range(200) / 10)
    logs = [tmp_path / f"20310301_061500_{name}.csv" for name in ("first", "more")]
    logs[0].write_text(text(frame))
    logs[1].write_text(text(frame[150:]))
    log_map = SECONDS.replace("{more}", 'start_from = "name"\nstart_format = "%Y%m%d_%H%M%S"')
    archive, result = take(tmp_path, *logs, log_map=log_map)
    first = only(result)
    right = log_map.replace('unit = "A"', 'unit = "mA"')
    again = take(tmp_path, *logs, log_map=right, replace_stored=True)[1]
    session = only(again)
    assert again.replaced == {session.session: first.session}
    assert archive.sessions()["session"].to_list() == [session.session]
    amperes = samples(archive, session)["J1.current_a"].to_list()
    assert amperes == pytest.approx([i / 1000 for i in frame["i1"]])
