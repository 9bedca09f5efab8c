"""Runs of one file read anew: each takes the place of its like, and none is lost."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest

from replay.archive import Archive
from replay.cleaning import IngestResult
from tests.cleaning.logs import MAP, only, samples, table, take, text
from tests.cleaning.test_restarts import SECONDS, at, since, told

KINDS = ["clock", "column", "column of numbers"]
NAMES = {
    "clock": ["run 1", "run 2", "run 3"],
    "column": ["A", "B", "C"],
    "column of numbers": ["7", "8", "9"],
}
RUNS = [table(n, seed=n) for n in (400, 300, 200)]


def map_of(kind: str) -> str:
    return SECONDS if kind == "clock" else MAP.replace("joints = 2", 'joints = 2\nrun = "trial"')


def corrected(kind: str) -> str:
    return map_of(kind).replace('unit = "A"', 'unit = "mA"')


def log_of(folder: Path, kind: str) -> Path:
    """Write three runs as a file; the column of numbers stands in a Parquet file."""
    if kind == "clock":
        frame = pl.concat(since(run) for run in RUNS)
    else:
        words = pl.Series("trial", NAMES[kind])
        words = words.cast(pl.Int64) if kind == "column of numbers" else words
        frame = pl.concat(
            at(run, k).with_columns(trial=pl.lit(words[k])) for k, run in enumerate(RUNS)
        )
    path = folder / ("log.parquet" if kind == "column of numbers" else "log.csv")
    if path.suffix == ".csv":
        path.write_text(text(frame))
    else:
        frame.write_parquet(path)
    return path


def first_taken(folder: Path, kind: str) -> tuple[Archive, Path, list[str]]:
    path = log_of(folder, kind)
    archive, result = take(folder, path, log_map=map_of(kind))
    assert not result.refused, result.refused[0].reason
    assert [s.run for s in result.sessions] == NAMES[kind]
    return archive, path, [s.session for s in result.sessions]


def anew(folder: Path, path: Path, kind: str) -> IngestResult:
    return take(folder, path, log_map=corrected(kind), replace_stored=True)[1]


def check_whole(archive: Archive, kind: str, runs: list[int]) -> None:
    """Exactly these runs are stored, once each, as the corrected map reads them."""
    stored = [archive.session(name) for name in archive.sessions()["session"]]
    assert [s.run for s in stored] == [NAMES[kind][k] for k in runs]
    for session, k in zip(stored, runs, strict=True):
        kept = samples(archive, session)
        assert kept["J1.angle_deg"].to_list() == told(RUNS[k])
        amperes = (RUNS[k]["i1"] / 1000).to_list()
        assert kept["J1.current_a"].to_list() == pytest.approx(amperes)


@pytest.mark.parametrize("earlier", [False, True], ids=["now", "earlier record"])
@pytest.mark.parametrize("kind", KINDS)
def test_each_run_takes_the_place_of_its_like(tmp_path: Path, kind: str, earlier: bool) -> None:
    """Also where an earlier program's record does not say which run a session is."""
    archive, path, olds = first_taken(tmp_path, kind)
    if earlier:
        for name in olds:
            record = replace(archive.session(name), run="", quality=())
            streams = {"main": samples(archive, record)}
            archive.add_session(record, streams, replace=True)
            assert archive.session(name).run == ""
    result = anew(tmp_path, path, kind)
    assert not result.refused, result.refused[0].reason
    assert [result.replaced[s.session] for s in result.sessions] == olds
    check_whole(archive, kind, [0, 1, 2])
    again = anew(tmp_path, path, kind)
    assert not again.sessions
    assert not again.refused
    assert again.unchanged == [s.session for s in result.sessions]


@pytest.mark.parametrize("kind", KINDS)
def test_a_run_whose_like_was_taken_out_takes_no_other_ones_place(
    tmp_path: Path, kind: str
) -> None:
    archive, path, olds = first_taken(tmp_path, kind)
    archive.withdraw(olds[0], reason="wrong")
    result = anew(tmp_path, path, kind)
    assert not result.refused, result.refused[0].reason
    news = [s.session for s in result.sessions]
    assert result.replaced == dict(zip(news[1:], olds[1:], strict=True))
    check_whole(archive, kind, [0, 1, 2])


@pytest.mark.parametrize("kind", KINDS)
def test_what_was_stopped_between_two_runs_goes_on(
    tmp_path: Path, kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive, path, olds = first_taken(tmp_path, kind)
    add, done = Archive.add_session, []

    def stopped(self: Archive, *args: object, **more: object) -> bool:
        if done:
            raise KeyboardInterrupt
        done.append(add(self, *args, **more))  # type: ignore[arg-type]
        return done[-1]

    with monkeypatch.context() as patch:
        patch.setattr(Archive, "add_session", stopped)
        with pytest.raises(KeyboardInterrupt):
            anew(tmp_path, path, kind)
    assert archive.sessions().height == 3
    result = anew(tmp_path, path, kind)
    assert not result.refused, result.refused[0].reason
    assert [result.replaced[s.session] for s in result.sessions] == olds[1:]
    check_whole(archive, kind, [0, 1, 2])


def test_a_file_divided_otherwise_is_asked_about(tmp_path: Path) -> None:
    """Two of the old three runs have a like, the third would count twice: nothing changes."""
    kind = "column"
    path = log_of(tmp_path, kind)
    halves = pl.read_csv(path).with_columns(
        half=pl.when(pl.col("trial") == "A").then(pl.lit("A")).otherwise(pl.lit("B"))
    )
    path.write_text(text(halves))
    archive, first = take(tmp_path, path, log_map=map_of(kind))
    before = archive.sessions()["session"].to_list()
    by_halves = map_of(kind).replace('"trial"', '"half"')
    (refusal,) = take(tmp_path, path, log_map=by_halves, replace_stored=True)[1].refused
    assert "stored sessions were read from this very log" in refusal.reason
    assert first.sessions[2].session in refusal.reason
    assert archive.sessions()["session"].to_list() == before


def test_runs_take_the_place_of_the_whole_that_they_were_read_as(tmp_path: Path) -> None:
    path = log_of(tmp_path, "column")
    archive, result = take(tmp_path, path, log_map=MAP)
    whole = only(result)
    assert (whole.run, whole.rows) == ("", 900)
    parted = anew(tmp_path, path, "column")
    assert not parted.refused, parted.refused[0].reason
    assert list(parted.replaced.values()) == [whole.session]
    check_whole(archive, "column", [0, 1, 2])


@pytest.mark.parametrize(
    ("good", "said"), [(1, "1 run of it was stored before"), (2, "2 runs of it were stored before")]
)
def test_a_fault_within_a_files_runs_tells_what_was_stored(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, good: int, said: str
) -> None:
    module = sys.modules["replay.cleaning.ingest"]
    true, cleaned = module.clean_logs, list[object]()

    def faulty(*words: object, **more: object) -> object:
        if len(cleaned) == good:
            raise ZeroDivisionError("nobody foresaw this")
        cleaned.append(true(*words, **more))
        return cleaned[-1]

    monkeypatch.setattr(module, "clean_logs", faulty)
    path = log_of(tmp_path, "column")
    _, result = take(tmp_path, path, log_map=map_of("column"))
    assert len(result.sessions) == good
    assert said in result.refused[0].reason
