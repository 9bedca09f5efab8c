"""A log map is read strictly, and says what is wrong with it."""

from __future__ import annotations

from pathlib import Path

import pytest

from replay.errors import LogMapError
from replay.logs import load_map
from tests.cleaning.logs import MAP


def test_whole_map() -> None:
    log_map = load_map(MAP)
    assert log_map.joints == ("J1", "J2")
    assert log_map.joint["angle"].patterns == ("a{n}",)
    assert log_map.time.columns == ("t",)
    assert log_map.toml == MAP


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('unit = "deg"', 'unit = "furlong"', "joint.angle: unknown unit 'furlong'"),
        ('unit = "deg"', 'unit = "A"', "joint.angle: 'A' measures current, not angle"),
        ('unit = "deg"', "", "joint.angle: the unit is not stated"),
        ("[joint.current]", "[joint.curent]", "did you mean current?"),
        ('format = "iso8601"', 'format = "iso"', "did you mean 'iso8601'?"),
        ('format = "iso8601"', 'format = "seconds"', "time.start is missing"),
        ('format = "iso8601"', 'scale = "GMT"', "time.scale is 'GMT'"),
        ('format = "iso8601"', 'start = "2031-03-01T00:00:00"', "is no instant with a zone"),
        ('column = "t"', "rows_at_hz = 0", "time.rows_at_hz is 0"),
        ('column = "t"', "", "time needs a column, or rows_at_hz"),
        ("joints = 2", "joints = 0", "log.joints is 0"),
        ("joints = 2", 'joints = ["A", "A"]', "log.joints is ['A', 'A']"),
        ('column = "a{n}"', 'column = "a"', "joint.angle.column has no place for the joint"),
        ('column = "a{n}"', 'columns = ["a1"]', "names 1 columns, the map has 2 joints"),
        ("[log]", "[log", "not TOML"),
    ],
)
def test_what_is_wrong_is_said(old: str, new: str, told: str) -> None:
    with pytest.raises(LogMapError) as caught:
        load_map(MAP.replace(old, new, 1))
    assert told in str(caught.value)


def test_word_without_a_meaning() -> None:
    with pytest.raises(LogMapError, match="'ENG' means 'clamped'"):
        load_map(MAP + '[joint.brake_state]\ncolumn = "b{n}"\nwords = { ENG = "clamped" }\n')


def test_the_file_is_named(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    path.write_text(MAP.replace('"A"', '"V"'))
    with pytest.raises(LogMapError) as caught:
        load_map(path)
    assert str(path) in str(caught.value)
    with pytest.raises(LogMapError, match="cannot read"):
        load_map(tmp_path / "none.toml")
