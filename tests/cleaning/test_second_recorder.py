"""Logs with the same channels: a quicker recorder is a stream, equal logs merge, others ask."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from replay.archive.care.rebuild import rebuild
from replay.archive.care.verify import verify
from replay.cli.operations.archive import _ingest_again
from replay.units import TIME
from tests.cleaning.logs import MAP as PLAIN
from tests.cleaning.logs import notes, only, samples, table, take, text
from tests.cleaning.recorders import MAP, Recorders, two_recorders


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Recorders:
    return two_recorders(tmp_path_factory.mktemp("two"))


@pytest.mark.parametrize("order", ["slow first", "quick first", "days later"])
def test_a_triggered_recorder_is_a_stream(made: Recorders, tmp_path: Path, order: str) -> None:
    files = [made.quick, made.slow] if order == "quick first" else [made.slow, made.quick]
    if order == "days later":
        only(take(tmp_path, files.pop(0), log_map=MAP)[1])
    archive, result = take(tmp_path, *files, log_map=MAP)
    session = only(result)
    assert session.second_recorders == ("burst_200hz",)
    slow, quick = samples(archive, session), samples(archive, session, "burst_200hz")
    assert (slow.height, quick.height) == (3000, made.bursts * 300)
    logged = pl.read_csv(made.quick)
    assert quick["J1.angle_deg"].to_list() == logged["a1"].to_list()
    when = quick[TIME].dt.strftime("%Y-%m-%dT%H:%M:%S%.9fZ")
    assert when.to_list() == logged["t"].to_list()  # clocks that agree are left alone
    assert session.completeness == 1.0
    assert session.rate_hz == pytest.approx(50.0)
    assert [n.count for n in notes(session, "second-recorder")] == [made.bursts]
    assert not notes(session, "gap")
    assert archive.sessions().height == 1
    assert not [f for f in verify(archive) if f.weight == "damage"]
    again = take(tmp_path, made.slow, made.quick, log_map=MAP)[1]
    assert set(again.unchanged) == {session.session}
    assert not again.sessions


def test_it_is_made_again_from_both_logs(made: Recorders, tmp_path: Path) -> None:
    archive, result = take(tmp_path, made.slow, made.quick, log_map=MAP)
    session = only(result)
    assert [r.outcome for r in rebuild(archive, _ingest_again)] == ["same"]
    assert [p.name for p in archive.logs_of(session)] == [made.slow.name, made.quick.name]


def test_both_logs_are_read_anew_under_a_corrected_map(made: Recorders, tmp_path: Path) -> None:
    archive, result = take(tmp_path, made.slow, made.quick, log_map=MAP)
    first = only(result)
    right = MAP.replace('column = "i{n}"\nunit = "A"', 'column = "i{n}"\nunit = "mA"')
    refused = take(tmp_path, made.slow, made.quick, log_map=right)[1].refused
    assert len(refused) == 2
    assert all("--replace" in r.reason for r in refused)
    again = take(tmp_path, made.slow, made.quick, log_map=right, replace_stored=True)[1]
    session = only(again)
    assert again.replaced == {session.session: first.session}
    assert again.unchanged == [session.session]  # the second log is in it already
    assert session.second_recorders == ("burst_200hz",)
    assert archive.sessions()["session"].to_list() == [session.session]
    amperes = samples(archive, session)["J1.current_a"].to_numpy()
    assert amperes == pytest.approx(pl.read_csv(made.slow)["i1"].to_numpy() / 1000)


@pytest.mark.parametrize("ahead_s", [0.37, -1.2])
def test_its_clock_is_set_by_the_motion_that_both_saw(tmp_path: Path, ahead_s: float) -> None:
    logs = two_recorders(tmp_path, clock_s=ahead_s)
    archive, result = take(tmp_path, logs.slow, logs.quick, log_map=MAP)
    session = only(result)
    assert len(notes(session, "clock-set")) == 1
    quick = samples(archive, session, "burst_200hz")
    released = quick.filter(pl.col("J1.brake_engage_cmd").not_() & pl.col("J1.brake_engaged"))
    first = (released[TIME][0] - session.start).total_seconds()
    assert first == pytest.approx(2.0, abs=0.02)  # to a step of the slow log


def test_a_quick_log_of_other_motion_is_asked_about(made: Recorders, tmp_path: Path) -> None:
    other = tmp_path / "other.csv"
    frame = pl.read_csv(made.quick)
    other.write_text(frame.with_columns(a1=90 - pl.col("a1"), a2=40 + pl.col("a2")).write_csv())
    archive, result = take(tmp_path, made.slow, other, log_map=MAP)
    assert [s.channels.keys() for s in result.sessions] == [{"main"}]
    reason = result.refused[0].reason
    assert "other.csv and arm_50hz.csv" in reason
    assert "which of them is right?" in reason
    assert archive.sessions().height == 1


def test_overlapping_logs_with_equal_samples_merge(tmp_path: Path) -> None:
    whole = table(900)
    cuts = [whole[:400], whole[350:600].with_columns(t=pl.col("t")), whole[500:]]
    paths = [tmp_path / f"part{n}.csv" for n in range(3)]
    for path, cut in zip(paths, cuts, strict=True):
        path.write_text(text(cut))
    archive, result = take(tmp_path, *paths, log_map=PLAIN)
    session = only(result)
    stored = samples(archive, session)
    assert stored["J2.current_a"].to_list() == whole["i2"].to_list()
    assert stored[TIME].dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ").to_list() == whole["t"].to_list()
    assert session.rows == 900
    assert session.completeness == 1.0
    assert sum(n.count for n in notes(session, "merged")) == 50 + 100
    assert len(archive.logs_of(session)) == 3


def test_a_row_that_one_of_them_lacks_comes_from_the_other(tmp_path: Path) -> None:
    whole = table(600)
    first, second = tmp_path / "first.csv", tmp_path / "second.csv"
    first.write_text(text(whole[:400].filter(pl.int_range(400) != 320)))
    second.write_text(text(whole[300:].filter(pl.int_range(300) != 50)))
    archive, result = take(tmp_path, first, second)
    stored = samples(archive, only(result))
    assert stored["J1.angle_deg"].to_list() == whole["a1"].to_list()


@pytest.mark.parametrize("change", ["value", "null", "instants"])
def test_unequal_logs_are_asked_about_by_name(tmp_path: Path, change: str) -> None:
    whole = table(600)
    first, second = tmp_path / "first.csv", tmp_path / "second.csv"
    first.write_text(text(whole[:400]))
    late = whole[300:]
    at = pl.int_range(late.height) == 40
    if change == "value":
        late = late.with_columns(i1=pl.when(at).then(pl.col("i1") + 1e-4).otherwise("i1"))
    elif change == "null":
        late = late.with_columns(i1=pl.when(at).then(None).otherwise("i1"))
    else:
        late = late.with_columns(t=pl.col("t").str.replace("00Z", "50Z", literal=True))
    second.write_text(text(late))
    archive, result = take(tmp_path, first, second)
    assert [s.source for s in result.sessions] == ["first.csv"]
    reason = result.refused[0].reason
    assert "first.csv and second.csv" in reason
    assert "which of them is right?" in reason
    assert samples(archive, result.sessions[0])["J1.current_a"].to_list() == list(whole["i1"][:400])
    if change == "value":
        assert "J1.current_a at 2031-03-01T00:00:34.000000Z" in reason


def test_drifting_clocks_are_set_along_the_session(tmp_path: Path) -> None:
    logs = two_recorders(tmp_path, cycles=4)
    frame = pl.read_csv(logs.quick).with_columns(pl.col("t").str.to_datetime(time_zone="UTC"))
    zero = frame["t"].to_physical()[0]
    ns = frame["t"].cast(pl.Datetime("ns", "UTC")).to_physical().to_numpy()
    zero = ns[0]
    drifted = ns + np.round(0.1e9 + (ns - zero) * 4e-3).astype(np.int64)
    when = pl.Series("t", drifted).cast(pl.Datetime("ns", "UTC"))
    frame.with_columns(t=when.dt.strftime("%Y-%m-%dT%H:%M:%S%.9fZ")).write_csv(logs.quick)
    archive, result = take(tmp_path, logs.slow, logs.quick, log_map=MAP)
    session = only(result)
    quick = samples(archive, session, "burst_200hz")
    command = pl.col("J1.brake_engage_cmd")
    turns = quick.filter(command.not_() & command.shift(1))[TIME]
    off = [
        (t - session.start).total_seconds() - r for t, r in zip(turns, logs.releases, strict=True)
    ]
    assert np.abs(off).max() < 0.03
