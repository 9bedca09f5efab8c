"""A column named for runs: each run a session, asked where its words come again."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from replay.archive import open_archive
from replay.cleaning import ingest
from replay.logs import propose_map
from tests.cleaning.logs import instants, table, text


def log(folder: Path, words: list[str], name: str = "run") -> Path:
    frame = pl.concat([table(200, seed=k) for k in range(len(words))])
    hours = [instants(200) + pl.duration(hours=k) for k in range(len(words))]
    times = pl.concat([pl.select(h).to_series() for h in hours])
    said = [w for w in words for _ in range(200)]
    out = frame.with_columns(t=times.dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ")).with_columns(
        pl.Series(name, said)
    )
    path = folder / "log.csv"
    path.write_text(text(out))
    return path


@pytest.mark.parametrize(("words", "sure"), [(["A", "B"], True), (["7", "8", "7"], False)])
def test_a_column_of_runs_is_proposed_and_asked_where_words_come_again(
    tmp_path: Path, words: list[str], sure: bool
) -> None:
    proposal = propose_map(log(tmp_path, words))
    (line,) = [x for x in proposal.lines if x.key == "run"]
    assert line.value == '"run"'
    assert "run" not in proposal.unused
    assert (line in proposal.doubts) != sure


def test_runs_are_sessions_without_a_map(tmp_path: Path) -> None:
    archive = open_archive(tmp_path / "archive", create=True)
    result = ingest(archive, [log(tmp_path, ["A", "B"])])
    assert not result.refused, result.refused[0].reason
    assert [s.rows for s in result.sessions] == [200, 200]
    assert [s.completeness for s in result.sessions] == pytest.approx([1.0, 1.0])


def test_runs_whose_seconds_begin_anew_need_no_column(tmp_path: Path) -> None:
    """They are told apart by the clock; a column beside one stated start would be refused."""
    runs = [table(200, seed=k).with_columns(run=pl.lit(w)) for k, w in enumerate("AB")]
    seconds = [r.with_columns(t=pl.Series([k / 10 for k in range(200)])) for r in runs]
    path = tmp_path / "log.csv"
    path.write_text(text(pl.concat(seconds)))
    proposal = propose_map(path)
    assert not [x for x in proposal.lines if x.key == "run"]
    assert "run" in proposal.unused


@pytest.mark.parametrize(
    ("words", "name"), [(["0", "1", "0"], "run"), (["A", "B"], "grip"), (["A", "A"], "run")]
)
def test_a_switch_another_word_or_one_run_is_no_column_of_runs(
    tmp_path: Path, words: list[str], name: str
) -> None:
    proposal = propose_map(log(tmp_path, words, name))
    assert not [x for x in proposal.lines if x.key == "run"]
