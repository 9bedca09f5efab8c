"""What stands above and beside the samples of a text table: told, and never in their way."""

from __future__ import annotations

import io
import tarfile
from pathlib import Path

import pytest

from tests.cleaning.logs import MAP, notes, only, samples, table, take, text


def _log(folder: Path, content: str | bytes) -> Path:
    log = folder / "log.csv"
    log.write_bytes(content.encode() if isinstance(content, str) else content)
    return log


def test_title_comment_and_unit_rows_are_told(tmp_path: Path) -> None:
    lines = text(table()).split("\n")
    lines[200:200] = ["# shift changes"]
    lines[1:1] = ["UTC,deg,deg,A,A"]
    lines[0:0] = ["Yard log 12", "exported by the recorder;2031", "# firmware 7"]
    session = only(take(tmp_path, _log(tmp_path, "\n".join(lines)))[1])
    assert session.rows == 400
    (titles,) = notes(session, "title-rows")
    assert titles.count == 2
    assert "'Yard log 12'" in titles.detail
    (comments,) = notes(session, "comment-rows")
    assert comments.count == 2
    assert "firmware 7" in comments.detail
    (units,) = notes(session, "unit-row")
    assert "a1 in deg" in units.detail


def test_comments_above_the_names_alone_are_told(tmp_path: Path) -> None:
    session = only(take(tmp_path, _log(tmp_path, "# one\n# two\n" + text(table())))[1])
    assert notes(session, "comment-rows")[0].count == 2
    assert not notes(session, "title-rows")


def test_a_plain_table_has_nothing_above_it(tmp_path: Path) -> None:
    session = only(take(tmp_path, _log(tmp_path, text(table())))[1])
    assert not session.quality


def test_a_unit_row_that_says_otherwise_than_the_map_is_told(tmp_path: Path) -> None:
    lines = text(table()).split("\n")
    lines[1:1] = ["UTC,rad,deg,A,mA"]
    session = only(take(tmp_path, _log(tmp_path, "\n".join(lines)))[1])
    found = {n.channel: n.detail for n in notes(session, "unit-contradiction")}
    assert set(found) == {"J1.angle_deg", "J2.current_a"}
    assert "rad" in found["J1.angle_deg"]


def test_rows_that_end_in_a_delimiter_where_the_names_do_not(tmp_path: Path) -> None:
    lines = text(table()).split("\n")
    log = _log(tmp_path, "\n".join([lines[0], *(line + "," for line in lines[1:-1]), ""]))
    archive, result = take(tmp_path, log)
    assert samples(archive, only(result))["J2.current_a"].to_list() == table()["i2"].to_list()


@pytest.mark.parametrize("space", [", ", " , ", ",  "])
def test_blanks_around_names_and_values(tmp_path: Path, space: str) -> None:
    archive, result = take(tmp_path, _log(tmp_path, text(table()).replace(",", space)))
    session = only(result)
    assert samples(archive, session)["J1.angle_deg"].to_list() == table()["a1"].to_list()
    assert not session.quality


def test_a_map_may_write_the_blanks_of_a_name(tmp_path: Path) -> None:
    log = _log(tmp_path, text(table()).replace("t,", "t ,", 1))
    assert only(take(tmp_path, log, log_map=MAP.replace('"t"', '"t "'))[1]).rows == 400


def test_quoted_numbers_with_a_decimal_comma(tmp_path: Path) -> None:
    lines = text(table()).split("\n")
    rows = [line.split(",") for line in lines[1:-1]]
    quoted = [",".join([r[0], *(f'"{c.replace(".", ",")}"' for c in r[1:])]) for r in rows]
    archive, result = take(tmp_path, _log(tmp_path, "\n".join([lines[0], *quoted, ""])))
    assert samples(archive, only(result))["J1.angle_deg"].to_list() == table()["a1"].to_list()


@pytest.mark.parametrize("delimiter", ["^", "~", "&", "\x1f", "\x01"])
@pytest.mark.parametrize("between", ["T", " "])
def test_any_delimiter(tmp_path: Path, delimiter: str, between: str) -> None:
    content = text(table()).replace(",", delimiter).replace("T", between)
    archive, result = take(tmp_path, _log(tmp_path, content))
    assert samples(archive, only(result))["J2.current_a"].to_list() == table()["i2"].to_list()


def test_nul_bytes_above_the_names(tmp_path: Path) -> None:
    session = only(take(tmp_path, _log(tmp_path, "\x00" * 3000 + text(table())))[1])
    assert session.rows == 400


def _tar() -> bytes:
    packed = io.BytesIO()
    with tarfile.open(fileobj=packed, mode="w") as archive:
        content = text(table()).encode()
        member = tarfile.TarInfo("log.csv")
        member.size = len(content)
        archive.addfile(member, io.BytesIO(content))
    return packed.getvalue()


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (_tar(), "tar archive"),
        (table().write_json().encode(), "one object a line"),
        (text(table()).encode("utf-32"), "UTF-32"),
        (b"FEA1" + bytes(range(200)), "version 2"),
    ],
)
def test_what_is_not_read_is_called_by_its_name(tmp_path: Path, content: bytes, told: str) -> None:
    result = take(tmp_path, _log(tmp_path, content))[1]
    assert not result.sessions
    assert told in result.refused[0].reason


@pytest.mark.parametrize(
    "titles",
    [
        ["Arm log,,,,", "yard,Tarn Station,,,"],
        ["Arm log,,,,", "session,12,,,", ",,,,"],
        ["Yard,Recorder,,,", "Tarn Station,7,,,"],
    ],
)
@pytest.mark.parametrize("units", [True, False])
def test_titles_that_a_spreadsheet_filled_up_with_delimiters(
    tmp_path: Path, titles: list[str], units: bool
) -> None:
    lines = text(table()).split("\n")
    lines[1:1] = ["UTC,deg,deg,A,A"] if units else []
    archive, result = take(tmp_path, _log(tmp_path, "\n".join([*titles, *lines])))
    session = only(result)
    assert samples(archive, session)["J1.angle_deg"].to_list() == table()["a1"].to_list()
    assert "'" + titles[0] + "'" in notes(session, "title-rows")[0].detail
    assert bool(notes(session, "unit-row")) == units


@pytest.mark.parametrize("beside", ["a1,a2,i1,i2", "a1,a2,i1,i2,"])
def test_a_first_row_of_error_words_is_a_sample(tmp_path: Path, beside: str) -> None:
    lines = text(table()).split("\n")
    if beside.endswith(","):
        lines = [lines[0] + ",", *(line + ",x" for line in lines[1:-1]), ""]
    lines[1] = lines[1].split(",")[0] + ",ERR" * lines[0].count(",")
    archive, result = take(tmp_path, _log(tmp_path, "\n".join(lines)))
    session = only(result)
    assert session.rows == 400
    assert samples(archive, session)["J1.current_a"][:2].to_list() == [None, table()["i1"][1]]
