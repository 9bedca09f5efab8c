"""Several runs in one file that no column tells apart: sessions of their own, or a reason."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from tests.cleaning.logs import MAP, instants, notes, only, samples, table, take, text
from tests.start import START_NS

SECONDS = MAP.replace('"iso8601"', '"seconds"\nstart = "2031-03-01T00:00:00Z"')


def since(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.with_columns(t=pl.Series(np.arange(frame.height) / 10))


def at(frame: pl.DataFrame, hours: float) -> pl.DataFrame:
    later = instants(frame.height) + pl.duration(minutes=round(60 * hours))
    return frame.with_columns(t=pl.select(later).to_series().dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ"))


def told(frame: pl.DataFrame) -> list[float]:
    return frame["a1"].to_list()


@pytest.mark.parametrize("rows", [(400, 400), (400, 30), (30, 400), (60, 60), (200, 300, 150)])
def test_a_clock_that_begins_anew_parts_the_runs(tmp_path: Path, rows: tuple[int, ...]) -> None:
    runs = [since(table(n, seed=k)) for k, n in enumerate(rows, 1)]
    log = tmp_path / "log.csv"
    log.write_text(text(pl.concat(runs)))
    archive, result = take(tmp_path, log, log_map=SECONDS)
    assert not result.refused, result.refused[0].reason
    sessions = sorted(result.sessions, key=lambda s: s.start)
    assert len(sessions) == len({s.session for s in sessions}) == len(rows)
    end = None
    for k, (session, run) in enumerate(zip(sessions, runs, strict=True)):
        stored = samples(archive, session)
        assert stored["J1.angle_deg"].to_list() == told(run)
        steps = stored["time"].cast(pl.Int64).diff().drop_nulls().unique().to_list()
        assert steps == [100_000_000]
        (note,) = notes(session, "run")
        assert f"run {k + 1} of {len(rows)}" in note.detail
        assert ("the clock begins anew" in note.detail) == (k > 0)
        assert ("does not say when it began" in note.detail) == (k > 0)
        assert bool(notes(session, "stated-start")) == (k == 0)
        assert session.completeness == pytest.approx(1.0)
        assert end is None or stored["time"][0] > end
        end = stored["time"][-1]
    again = take(tmp_path, log, log_map=SECONDS)[1]
    assert not again.sessions
    assert not again.refused
    assert len(again.unchanged) == len(rows)


def test_runs_pasted_in_the_wrong_order_are_parted(tmp_path: Path) -> None:
    late, early = at(table(400, seed=2), 5), at(table(300, seed=3), 1)
    log = tmp_path / "log.csv"
    log.write_text(text(pl.concat([late, early])))
    archive, result = take(tmp_path, log)
    first, second = sorted(result.sessions, key=lambda s: s.start)
    assert samples(archive, first)["J1.angle_deg"].to_list() == told(early)
    assert samples(archive, second)["J1.angle_deg"].to_list() == told(late)


@pytest.mark.parametrize("block", [1, 3, 40])
def test_two_sessions_whose_rows_lie_mixed_are_parted(tmp_path: Path, block: int) -> None:
    one, other = at(table(240, seed=4), 0), at(table(240, seed=5), 24)
    pieces = []
    for k in range(0, 240, block):
        pieces += [one[k : k + block], other[k : k + block]]
    log = tmp_path / "log.csv"
    log.write_text(text(pl.concat(pieces)))
    archive, result = take(tmp_path, log)
    assert not result.refused, result.refused[0].reason
    first, second = sorted(result.sessions, key=lambda s: s.start)
    assert samples(archive, first)["J1.angle_deg"].to_list() == told(one)
    assert samples(archive, second)["J1.angle_deg"].to_list() == told(other)


@pytest.mark.parametrize(
    ("shift_s", "why"),
    [
        (0.0, "their times overlap"),
        (0.03, "their times overlap"),
        (7.0, "times before rows already"),
    ],
)
def test_two_sessions_of_one_time_are_refused(tmp_path: Path, shift_s: float, why: str) -> None:
    """One after the other with dates that overlap: one of the clocks is wrong."""
    one, other = table(400, seed=6), table(400, seed=7)
    ns = START_NS + np.round((np.arange(400) / 10 + shift_s) * 1e9).astype(np.int64)
    when = pl.Series("t", ns).cast(pl.Datetime("ns", "UTC")).dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ")
    log = tmp_path / "log.csv"
    log.write_text(text(pl.concat([one, other.with_columns(t=when)])))
    (refusal,) = take(tmp_path, log)[1].refused
    assert why in refusal.reason
    assert "row 401" in refusal.reason


def test_a_clock_set_back_far_is_refused_with_its_row(tmp_path: Path) -> None:
    """Fifteen of forty seconds are said twice: nothing is stored in part."""
    frame = table(400)
    k = np.arange(400)
    ns = START_NS + np.round((k / 10 - 15.0 * (k >= 200)) * 1e9).astype(np.int64)
    when = pl.Series("t", ns).cast(pl.Datetime("ns", "UTC")).dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ")
    log = tmp_path / "log.csv"
    log.write_text(text(frame.with_columns(t=when)))
    (refusal,) = take(tmp_path, log)[1].refused
    assert "row 201" in refusal.reason
    assert "set back" in refusal.reason


def test_the_newest_row_first_is_refused(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text(text(table(400)[::-1]))
    (refusal,) = take(tmp_path, log)[1].refused
    assert "newest row comes first" in refusal.reason


def test_a_pause_is_no_run(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text(text(pl.concat([at(table(200, seed=8), 0), at(table(200, seed=9), 3)])))
    session = only(take(tmp_path, log)[1])
    assert session.rows == 400


def test_a_table_of_one_value_a_row_that_begins_anew_is_parted(tmp_path: Path) -> None:
    runs = [since(table(300, seed=k)) for k in (1, 2)]
    long = pl.concat(
        r.unpivot(index="t", variable_name="channel").sort("t", maintain_order=True) for r in runs
    ).rename({"t": "time"})
    log = tmp_path / "log.csv"
    log.write_text(text(long))
    log_map = SECONDS.replace("joints = 2", 'joints = 2\nlayout = "long"').replace('"t"', '"time"')
    archive, result = take(tmp_path, log, log_map=log_map)
    assert not result.refused, result.refused[0].reason
    for session, run in zip(sorted(result.sessions, key=lambda s: s.start), runs, strict=True):
        assert samples(archive, session)["J1.angle_deg"].to_list() == told(run)


def test_each_run_read_anew_takes_the_place_of_its_like(tmp_path: Path) -> None:
    runs = [since(table(n, seed=n)) for n in (400, 300)]
    log = tmp_path / "log.csv"
    log.write_text(text(pl.concat(runs)))
    archive, first = take(tmp_path, log, log_map=SECONDS, replace_stored=True)
    assert len(first.sessions) == archive.sessions().height == 2
    assert not first.replaced
    later = SECONDS.replace("2031-03-01T00", "2031-03-01T05")
    anew = take(tmp_path, log, log_map=later, replace_stored=True)[1]
    assert not anew.refused
    olds = [s.session for s in first.sessions]
    assert [anew.replaced[s.session] for s in anew.sessions] == olds
    assert sorted(archive.sessions()["session"]) == sorted(s.session for s in anew.sessions)
    for session, run in zip(anew.sessions, runs, strict=True):
        assert samples(archive, session)["J1.angle_deg"].to_list() == told(run)


@pytest.mark.parametrize("rows", [(400,), (400, 300)])
def test_the_same_octets_under_another_start_are_not_stored_twice(
    tmp_path: Path, rows: tuple[int, ...]
) -> None:
    log = tmp_path / "log.csv"
    log.write_text(text(pl.concat([since(table(n, seed=n)) for n in rows])))
    archive, first = take(tmp_path, log, log_map=SECONDS)
    later = SECONDS.replace("2031-03-01T00", "2031-03-01T05")
    refused = take(tmp_path, log, log_map=later)[1]
    assert not refused.sessions
    reason = str(refused.refused[0].reason)
    assert first.sessions[0].session in reason
    assert "--replace" in reason
    assert archive.sessions().height == len(rows)
    assert not take(tmp_path, log, log_map=later, replace_stored=True)[1].refused
    assert archive.sessions().height == len(rows)


def test_the_same_octets_under_a_corrected_map_are_told_what_is_true(tmp_path: Path) -> None:
    """The map's start is the stored one: no other start is spoken of."""
    log = tmp_path / "log.csv"
    log.write_text(text(since(table(400))))
    archive, first = take(tmp_path, log, log_map=SECONDS)
    right = SECONDS.replace('unit = "A"', 'unit = "mA"')
    (refusal,) = take(tmp_path, log, log_map=right)[1].refused
    assert f"is stored already as session {only(first).session}" in refusal.reason
    assert "which was read with another log map; its hours must not count twice" in refusal.reason
    assert "--replace" in refusal.reason
    assert "another start" not in refusal.reason
    later = SECONDS.replace("2031-03-01T00", "2031-03-01T05")
    (refusal,) = take(tmp_path, log, log_map=later)[1].refused
    assert "begins at 2031-03-01T00:00:00+00:00" in refusal.reason
    assert "as it is read now it would begin at 2031-03-01T05:00:00+00:00" in refusal.reason
    assert "log map and begins at" in refusal.reason
    assert archive.sessions().height == 1


def test_a_log_stored_twice_is_refused_in_plain_words(tmp_path: Path) -> None:
    """What is wrong, where, by what the two readings differ, and both ways out."""
    log = tmp_path / "the log.csv"
    log.write_text(text(since(table(400))))
    first = only(take(tmp_path, log, log_map=SECONDS)[1])
    arm = '[arm]\nname = "arm"\n' + "".join(
        f'[[joints]]\nname = "J{n}"\ngear_ratio = 100.0\n' for n in (1, 2)
    )
    maps = {"log map": f"# again\n{SECONDS}", "arm file": SECONDS}
    for differs, log_map in maps.items():
        more = {"arm": arm} if differs == "arm file" else {}
        (refusal,) = take(tmp_path, log, log_map=log_map, **more)[1].refused
        assert refusal.source == str(log)
        assert refusal.reason == (
            f"this very log is stored already as session {first.session}, which was read with "
            f"another {differs}; its hours must not count twice (to keep session {first.session}, "
            "do nothing; to put what is read now in its place, with the log map and arm file that "
            f"were given now: jointbook ingest '{log}' --replace)"
        )
