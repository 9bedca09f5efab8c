"""What several files of a session say of each other, and logs in which nothing can be read."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from replay.cleaning.times.order import Orderer
from tests.cleaning.logs import notes, only, samples, table, take, text


def test_channels_of_one_file_only_are_told(tmp_path: Path) -> None:
    (tmp_path / "currents.csv").write_text(text(table(4000, 50.0).select("t", "i1", "i2")))
    (tmp_path / "angles.csv").write_text(text(table(800).select("t", "a1", "a2")))
    session = only(take(tmp_path, tmp_path / "currents.csv", tmp_path / "angles.csv")[1])
    told = {n.detail for n in notes(session, "one-file")}
    assert len(told) == 2
    assert any("angles.csv" in d and "J1.angle_deg, J2.angle_deg" in d for d in told)
    assert any("currents.csv" in d and "J1.current_a, J2.current_a" in d for d in told)


@pytest.mark.parametrize("cell", ["-9999.0", "ERR", "", "1'5"])
def test_a_log_whose_currents_cannot_be_read_is_refused(tmp_path: Path, cell: str) -> None:
    frame = table().with_columns(i1=pl.lit(cell), i2=pl.lit(cell))
    log = tmp_path / "log.csv"
    log.write_text(text(frame))
    result = take(tmp_path, log)[1]
    assert not result.sessions
    assert "'i1'" in result.refused[0].reason
    assert cell.removesuffix(".0") in result.refused[0].reason


def test_one_joint_without_currents_is_no_reason_to_refuse(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text(text(table().with_columns(i1=pl.lit("ERR"))))
    assert notes(only(take(tmp_path, log)[1]), "empty")


def _moved(shift_s: np.ndarray) -> pl.DataFrame:
    frame = table(len(shift_s))
    at = frame["t"].str.to_datetime(time_zone="UTC", time_unit="ns")
    later = at + pl.Series(np.round(shift_s * 1e9).astype(np.int64)).cast(pl.Duration("ns"))
    return frame.with_columns(later.dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ").alias("t"))


@pytest.mark.parametrize("back_s", [0.5, 2.0, 2.03, 5.9, 7.9])
def test_a_clock_set_back_a_little_mixes_no_samples(tmp_path: Path, back_s: float) -> None:
    step = 200
    log = tmp_path / "log.csv"
    log.write_text(text(_moved(np.where(np.arange(400) >= step, -back_s, 0.0))))
    archive, result = take(tmp_path, log)
    session = only(result)
    (note,) = notes(session, "clock-step")
    lost = note.count
    assert lost in (int(back_s * 10), int(back_s * 10) + 1)
    assert f"set back by up to {round(back_s - 0.1, 3):g} s" in note.detail
    angles = samples(archive, session)["J1.angle_deg"].to_list()
    whole = table()["a1"].to_list()
    assert angles == whole[:step] + whole[step + lost :]
    assert not notes(session, "reordered")
    assert not notes(session, "contradiction")


def test_a_jump_ahead_of_a_clock_may_be_a_clock_that_was_set(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text(text(_moved(np.where(np.arange(400) >= 100, 0.0, -86_400.0 * 400))))
    (gap,) = notes(only(take(tmp_path, log)[1]), "gap")
    assert "clock was set" in gap.detail


@pytest.mark.parametrize("block", [7, 50, 64, 1000])
def test_clocks_set_back_do_not_depend_on_blocks(block: int) -> None:
    rng = np.random.default_rng(5)
    ns = np.arange(3000, dtype=np.int64) * 1000
    for k, back in zip(range(200, 2900, 300), rng.integers(3, 60, 9), strict=True):
        ns[k:] -= int(back) * 1000 + int(rng.integers(0, 1000))
    frame = pl.DataFrame({"x": np.arange(3000.0)})

    def run(size: int) -> tuple[list[int], list[float], int]:
        orderer = Orderer(1000)
        out_ns: list[int] = []
        out: list[float] = []
        for begin in range(0, 3000, size):
            end = min(begin + size, 3000)
            rows = np.arange(begin + 1, end + 1)
            got, got_ns = orderer.push(frame[begin:end], ns[begin:end], rows)
            out_ns += got_ns.tolist()
            out += got["x"].to_list() if got.height else []
        got, got_ns = orderer.finish()
        return out_ns + got_ns.tolist(), out + got["x"].to_list(), orderer.set_back.count

    whole = run(3000)
    assert run(block) == whole
    assert whole[1] == sorted(whole[1]), "samples keep the order of the file"
    assert len(whole[0]) + whole[2] == 3000
