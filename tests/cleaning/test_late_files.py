"""A log that comes after its session is stored is refused, with the way out."""

from __future__ import annotations

import shlex
from pathlib import Path

import pytest

from replay.cli.main import main
from tests.cleaning.logs import MAP, only, table, take, text

WHOLE = MAP + '[joint.temperature]\ncolumn = "temp{n}"\nunit = "degC"\n'


def split_logs(folder: Path) -> tuple[Path, Path]:
    """Write one session as two logs, the second one of temperatures."""
    frame = table(400)
    first, second = folder / "first.csv", folder / "late one.csv"
    first.write_text(text(frame))
    late = frame.select("t", temp1=frame["a1"] * 0 + 20.5, temp2=frame["a2"] * 0 + 21.5)
    second.write_text(text(late))
    return first, second


@pytest.mark.parametrize("late_map", [WHOLE, "fitting"])
def test_the_command_that_is_told_works(tmp_path: Path, late_map: str) -> None:
    first, second = split_logs(tmp_path)
    if late_map == "fitting":  # other joints' angles and currents, so that the map is content
        second.write_text(
            text(table(400, seed=2).rename({"a1": "b1", "i1": "j1"}).drop("a2", "i2"))
        )
        late_map = MAP.replace("joints = 2", 'joints = ["K1"]').replace("a{n}", "b1")
        late_map = late_map.replace("i{n}", "j1")
    only(take(tmp_path, first)[1])
    archive, result = take(tmp_path, second, log_map=late_map)
    assert not result.sessions
    reason = result.refused[0].reason
    assert "came after it" in reason
    assert archive.sessions().height == 1
    command = reason[reason.index("jointbook ingest") :].removesuffix(")")
    words = shlex.split(command)[1:]
    assert str(second) in words
    if late_map != WHOLE:
        return
    chosen = tmp_path / "whole.map.toml"
    chosen.write_text(WHOLE)
    words[words.index("MAP.toml")] = str(chosen)
    words[words.index("OTHER")] = str(tmp_path / "other")
    assert main(words) == 0


def test_a_log_and_its_longer_self_are_one_session_and_told_once(tmp_path: Path) -> None:
    """Both come in one intake: the session of the shorter one is gone, and no one is sent to it."""
    frame = table(400)
    logs = []
    for name, rows in (("morning", 200), ("noon", 400)):
        (tmp_path / name).mkdir()
        logs.append(tmp_path / name / "log.csv")
        logs[-1].write_text(text(frame[:rows]))
    archive, result = take(tmp_path, *logs)
    session = only(result)
    assert session.rows == 400
    assert archive.sessions()["session"].to_list() == [session.session]
    assert not result.replaced  # nothing was read anew under another map
