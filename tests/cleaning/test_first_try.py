"""Logs that real recorders write, and what is refused with the way out rather than read in half."""

from __future__ import annotations

import gzip
import importlib
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from replay.logs.readers.open_log import open_log
from replay.signals import joint_table
from tests.cleaning.logs import MAP, notes, only, samples, table, take, text
from tests.start import START_NS

RUN_MAP = MAP.replace("joints = 2", 'joints = 2\nrun = "run"')


def test_a_commanded_angle_serves_as_a_commanded_rate(tmp_path: Path) -> None:
    k = np.arange(400)
    frame = table(400).with_columns(
        **{f"c{n}": pl.Series(np.where(k < 200, 0.05 * k, 10.0)) for n in (1, 2)}
    )
    frame.write_csv(tmp_path / "log.csv")
    more = '[joint.commanded_angle]\ncolumn = "c{n}"\nunit = "deg"\n'
    archive, result = take(tmp_path, tmp_path / "log.csv", log_map=MAP + more)
    session = only(result)
    assert not any("commanded rate" in s for s in session.switched_off)
    wanted = joint_table(archive, session.session, "J1")["rate_cmd_deg_s"].to_numpy()
    assert wanted[5:190] == pytest.approx(0.5, abs=1e-6)
    assert wanted[205:390] == pytest.approx(0.0, abs=1e-6)


def test_several_runs_are_sessions_of_their_own(tmp_path: Path) -> None:
    parts = [
        table(60, seed=n).with_columns(
            run=pl.lit(f"r{n}"), t=pl.col("t").str.replace("-03-", f"-0{9 - n}-")
        )
        for n in (1, 2, 3, 4)
    ]
    pl.concat(parts).write_csv(tmp_path / "log.csv")
    archive, result = take(tmp_path, tmp_path / "log.csv", log_map=RUN_MAP)
    assert len(result.sessions) == 4
    for session, part in zip(result.sessions, parts, strict=True):
        assert samples(archive, session)["J2.current_a"].to_list() == part["i2"].to_list()
    again = take(tmp_path, tmp_path / "log.csv", log_map=RUN_MAP)[1]
    assert not again.sessions
    assert not again.refused


def test_runs_that_count_from_one_stated_start_are_placed_by_the_clock_alone(
    tmp_path: Path,
) -> None:
    frame = table(120).with_columns(
        t=pl.Series([k % 60 / 10 for k in range(120)]), run=pl.Series([0] * 60 + [1] * 60)
    )
    frame.write_csv(tmp_path / "log.csv")
    form = 'format = "seconds"\nstart = "2031-03-01T00:00:00Z"'
    log_map = RUN_MAP.replace('format = "iso8601"', form)
    result = take(tmp_path, tmp_path / "log.csv", log_map=log_map)[1]
    assert not result.sessions
    assert "cannot be placed" in result.refused[0].reason
    assert "leave [log] run out" in result.refused[0].reason
    result = take(tmp_path, tmp_path / "log.csv", log_map=MAP.replace('format = "iso8601"', form))[
        1
    ]
    assert [s.rows for s in result.sessions] == [60, 60]


def test_two_recordings_row_by_row_are_not_read_in_half(tmp_path: Path) -> None:
    one, two = table(100, seed=1), table(100, seed=2)
    rows = [r for pair in zip(one.rows(), two.rows(), strict=True) for r in pair]
    frame = pl.DataFrame(rows, schema=one.schema, orient="row")
    frame.write_csv(tmp_path / "log.csv")
    result = take(tmp_path, tmp_path / "log.csv")[1]
    assert not result.sessions
    assert "two recordings lie in one file" in result.refused[0].reason
    marked = frame.with_columns(run=pl.Series(["a", "b"] * 100))
    marked.write_csv(tmp_path / "marked.csv")
    result = take(tmp_path / "b", tmp_path / "marked.csv", log_map=RUN_MAP)[1]
    assert not result.sessions
    assert "overlap in time" in result.refused[0].reason


def test_rows_of_one_instant_with_other_channels_are_one_row(tmp_path: Path) -> None:
    frame = table(80)
    angles = frame.with_columns(pl.lit(None, pl.Float64).alias(c) for c in ("i1", "i2"))
    currents = frame.with_columns(pl.lit(None, pl.Float64).alias(c) for c in ("a1", "a2"))
    both = pl.concat([angles.with_row_index(), currents.with_row_index()]).sort(
        "index", maintain_order=True
    )
    both.drop("index").write_csv(tmp_path / "log.csv")
    archive, result = take(tmp_path, tmp_path / "log.csv")
    session = only(result)
    assert samples(archive, session)["J1.angle_deg"].to_list() == frame["a1"].to_list()
    assert samples(archive, session)["J1.current_a"].to_list() == frame["i1"].to_list()
    assert notes(session, "joined-rows")[0].count == 80
    assert session.completeness == 1.0


def test_a_second_header_in_another_order_is_followed(tmp_path: Path) -> None:
    frame = table(80)
    turned = frame.select("t", "i2", "i1", "a2", "a1")
    (tmp_path / "log.csv").write_text(text(frame.head(40)) + text(turned.tail(40)))
    archive, result = take(tmp_path, tmp_path / "log.csv")
    session = only(result)
    stored = samples(archive, session)
    for joint, n in (("J1", 1), ("J2", 2)):
        assert stored[f"{joint}.angle_deg"].to_list() == frame[f"a{n}"].to_list()
        assert stored[f"{joint}.current_a"].to_list() == frame[f"i{n}"].to_list()
    assert "(rows 41)" in notes(session, "names-again")[0].detail


def test_a_refusal_says_how_a_column_becomes_optional(tmp_path: Path) -> None:
    table(60).write_csv(tmp_path / "log.csv")
    more = '[joint.temperature]\ncolumn = "T{n}"\nunit = "degC"\n'
    refused = take(tmp_path, tmp_path / "log.csv", log_map=MAP + more)[1].refused
    assert "optional = true" in refused[0].reason
    kept = take(tmp_path, tmp_path / "log.csv", log_map=MAP + more + "optional = true\n")[1]
    assert only(kept).rows == 60


def test_torque_instead_of_current_is_taken_as_what_it_is(tmp_path: Path) -> None:
    table(60).write_csv(tmp_path / "log.csv")
    log_map = MAP.replace("[joint.current]", "[joint.torque]").replace('"A"', '"N m"')
    archive, result = take(tmp_path, tmp_path / "log.csv", log_map=log_map)
    session = only(result)
    assert samples(archive, session)["J1.torque_nm"].to_list() == table(60)["i1"].to_list()
    assert any(s.startswith("no motor current") for s in session.switched_off)


def test_a_log_without_names_shows_its_columns(tmp_path: Path) -> None:
    from replay.logs import propose_map

    (tmp_path / "log.csv").write_text(table(60).write_csv(include_header=False))
    proposal = propose_map(tmp_path / "log.csv")
    told = next(s for s in proposal.said if "called by place" in s)
    assert f"column_2 = {table(60)['a1'][0]}" in told


def test_a_stamp_of_seconds_and_nanoseconds_is_read_whole(tmp_path: Path) -> None:
    from replay.logs import propose_map

    ns = [START_NS + 100_000_007 * k for k in range(80)]
    frame = table(80).drop("t").rename({f"a{n}": f"a{n}_deg" for n in (1, 2)})
    frame = frame.with_columns(
        **{
            "header.stamp.sec": pl.Series([n // 10**9 for n in ns]),
            "header.stamp.nanosec": pl.Series([n % 10**9 for n in ns]),
        }
    )
    frame.write_csv(tmp_path / "log.csv")
    proposal = propose_map(tmp_path / "log.csv")
    archive, result = take(tmp_path, tmp_path / "log.csv", log_map=proposal.toml)
    stored = samples(archive, only(result))
    assert stored["time"].cast(pl.Int64).to_list() == ns
    assert stored["J1.angle_deg"].to_list() == frame["a1_deg"].to_list()


@pytest.mark.parametrize(
    "line", ['column = "Tm"', 'columns = ["Tm", "Tm"]', 'columns = ["Tm", "Tm"]\noptional = true']
)
def test_one_temperature_may_be_that_of_several_joints(tmp_path: Path, line: str) -> None:
    frame = table(200).with_columns(Tm=pl.Series([20 + k / 100 for k in range(200)]))
    frame.write_csv(tmp_path / "log.csv")
    log_map = MAP + f'[joint.temperature]\n{line}\nunit = "degC"\n'
    archive, result = take(tmp_path, tmp_path / "log.csv", log_map=log_map)
    session = only(result)
    stored = samples(archive, session)
    for joint in ("J1", "J2"):
        assert stored[f"{joint}.temperature_c"].to_list() == frame["Tm"].to_list()
    (note,) = notes(session, "shared-column")
    assert note.detail == "column 'Tm' is the temperature of J1, J2"
    assert not [s for s in session.switched_off if "temperature" in s]


@pytest.mark.parametrize("quantity", ["angle", "current"])
def test_what_each_joint_has_of_its_own_is_not_shared(tmp_path: Path, quantity: str) -> None:
    table(200).write_csv(tmp_path / "log.csv")
    column = {"angle": "a", "current": "i"}[quantity]
    log_map = MAP.replace(f'column = "{column}{{n}}"', f'columns = ["{column}1", "{column}1"]')
    (refusal,) = take(tmp_path, tmp_path / "log.csv", log_map=log_map)[1].refused
    assert f"both read from column '{column}1'" in refusal.reason


def test_a_gap_of_another_stream_names_it(tmp_path: Path) -> None:
    frame = table(400).with_columns(T1=pl.Series([20.0] * 400), T2=pl.Series([21.0] * 400))
    frame.drop("T1", "T2").write_csv(tmp_path / "arm.csv")
    slow = frame.select("t", "T1", "T2").gather_every(5)
    pl.concat([slow[:30], slow[50:]]).write_csv(tmp_path / "thermal.csv")
    log_map = MAP + '[joint.temperature]\ncolumn = "T{n}"\nunit = "degC"\n'
    paths = [tmp_path / "arm.csv", tmp_path / "thermal.csv"]
    session = only(take(tmp_path, *paths, log_map=log_map)[1])
    assert set(session.channels) == {"main", "thermal"}
    (gap,) = notes(session, "gap")
    assert gap.detail == "20 samples missing in stream thermal against one in 0.5 s"
    cut = pl.concat([frame.drop("T1", "T2")[:100], frame.drop("T1", "T2")[150:]])
    cut.write_csv(tmp_path / "cut.csv")
    (gap,) = notes(only(take(tmp_path / "b", tmp_path / "cut.csv")[1]), "gap")
    assert gap.detail == "50 samples missing against one in 0.1 s"


@pytest.mark.parametrize("packed", [False, True])
def test_parts_of_a_session_are_opened_once(
    tmp_path: Path, packed: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Once each; a packed one again, since what it was unpacked into is gone by then."""
    frame = table(300)
    halves = {"angles": ["t", "a1", "a2"], "currents": ["t", "i1", "i2"]}
    paths = []
    for name, columns in halves.items():
        path = tmp_path / f"{name}.csv{'.gz' * packed}"
        data = frame.select(columns).write_csv().encode()
        path.write_bytes(gzip.compress(data) if packed else data)
        paths.append(path)
    asked: list[Path] = []

    def counted(path: Path, *rest: object) -> object:
        asked.append(path)
        return open_log(path, *rest)  # type: ignore[arg-type]

    for module in ("clean_logs", "session_grouping"):
        found = importlib.import_module(f"replay.cleaning.{module}")
        monkeypatch.setattr(found, "open_log", counted)
    archive, result = take(tmp_path, *paths)
    session = only(result)
    assert sorted(asked) == sorted(paths * (2 if packed else 1))
    stored = {c: s for c in session.channels for s in [samples(archive, session, c)]}
    whole = {k: v for s in stored.values() for k, v in s.to_dict(as_series=False).items()}
    assert whole["J2.angle_deg"] == frame["a2"].to_list()
    assert whole["J1.current_a"] == frame["i1"].to_list()
