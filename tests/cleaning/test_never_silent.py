"""A wrong value taken in silence is the worst that can happen to a log: none of these may."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from functools import partial
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from replay.archive import open_archive
from replay.cleaning import ingest
from replay.errors import LogMapError
from replay.logs import load_map, propose_map
from tests.cleaning.logs import MAP, instants, notes, only, samples, table, take, text
from tests.start import START_NS

WRITERS = {
    "csv": lambda frame, path: frame.write_csv(path),
    "parquet": lambda frame, path: frame.write_parquet(path),
    "ndjson": lambda frame, path: frame.write_ndjson(path),
    "arrow": lambda frame, path: frame.write_ipc(path),
    "xlsx": lambda frame, path: frame.write_excel(path),
}


@pytest.mark.parametrize("kind", WRITERS)
@pytest.mark.parametrize("name", ["run[1]", "run*", "run?"])
def test_the_file_that_was_named_is_the_file_that_is_read(
    tmp_path: Path, kind: str, name: str
) -> None:
    folder = tmp_path / "[2026] logs"
    folder.mkdir()
    mine, other = table(60, seed=1), table(60, seed=2)
    WRITERS[kind](mine, str(folder / f"{name}.{kind}"))
    WRITERS[kind](other, str(folder / f"run1.{kind}"))
    archive, result = take(tmp_path, folder / f"{name}.{kind}")
    session = only(result)
    assert samples(archive, session)["J1.current_a"].to_list() == mine["i1"].to_list()


def test_a_folder_with_brackets_is_taken_whole(tmp_path: Path) -> None:
    folder = tmp_path / "[2026] logs"
    folder.mkdir()
    table(60).write_csv(folder / "a[1].csv")
    assert only(take(tmp_path, folder)[1]).rows == 60


def test_one_fault_of_the_program_costs_one_log(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    module = sys.modules["replay.cleaning.clean_logs"]
    true = module.open_log

    def faulty(path: Path, *more: object) -> object:
        if path.name == "bad.csv":
            raise ZeroDivisionError("nobody foresaw this")
        return true(path, *more)  # type: ignore[arg-type]

    monkeypatch.setattr(module, "open_log", faulty)
    monkeypatch.setattr(sys.modules["replay.cleaning.session_grouping"], "open_log", faulty)
    for name in ("bad", "good"):
        table(60, seed=len(name)).write_csv(tmp_path / f"{name}.csv")
    result = take(tmp_path, tmp_path / "bad.csv", tmp_path / "good.csv")[1]
    assert [s.source for s in result.sessions] == ["good.csv"]
    assert "ZeroDivisionError: nobody foresaw this" in result.refused[0].reason
    assert "nothing of it was stored" in result.refused[0].reason


@pytest.mark.skipif(sys.platform != "linux", reason="file names are octets there")
def test_a_name_that_is_not_utf8_is_refused_and_can_be_printed(tmp_path: Path) -> None:
    odd = os.fsencode(tmp_path) + b"/caf\xe9.csv"
    with open(odd, "wb") as handle:
        handle.write(text(table(60)).encode())
    table(60, seed=3).write_csv(tmp_path / "good.csv")
    result = take(tmp_path, Path(os.fsdecode(odd)), tmp_path / "good.csv")[1]
    assert [s.source for s in result.sessions] == ["good.csv"]
    assert "not UTF-8" in result.refused[0].reason
    result.refused[0].source.encode("utf-8")  # can be printed
    for verb, code in (("map", 0), ("ingest", 1)):
        done = subprocess.run(
            [sys.executable, "-m", "replay", verb, odd, "--archive", str(tmp_path / "b")],
            capture_output=True,
            text=True,
        )
        assert done.returncode == code, done.stderr
        assert "Traceback" not in done.stderr, done.stderr


@pytest.mark.parametrize(
    "toml",
    [
        "x = " + "[" * 5000 + "]" * 5000,
        MAP.replace('column = "t"', "rows_at_hz = 1e-300").replace('format = "iso8601"', ""),
        MAP.replace('column = "t"', 'column = "t"\nstart = "9999-12-31T23:59:59Z"'),
        MAP.replace('column = "t"', 'column = "t"\nstart = "9999-12-31T23:59:59-12:00"'),
        MAP.replace('column = "a{n}"', "columns = 5"),
        MAP.replace('column = "a{n}"', "column = [[1]]"),
        MAP.replace('unit = "deg"', "unit = [1, 2]"),
        MAP.replace("joints = 2", f"joints = {'9' * 5000}"),
        "log = 3",
        "[log]\njoints = [[1]]",
    ],
)
def test_an_odd_map_is_refused_in_words(toml: str) -> None:
    with pytest.raises(LogMapError):
        load_map(toml + "\n")


def test_stopped_in_the_first_second_says_so(tmp_path: Path) -> None:
    for wait in (0.2, 0.5, 1.0):
        started = subprocess.Popen(
            [sys.executable, "-m", "replay", "ingest", str(tmp_path), "--watch"],
            stderr=subprocess.PIPE,
            text=True,
            cwd=tmp_path,
            # a shell's background job has interrupts ignored, and its children inherit that
            preexec_fn=partial(signal.signal, signal.SIGINT, signal.SIG_DFL),
        )
        time.sleep(wait)
        started.send_signal(signal.SIGINT)
        said = started.communicate(timeout=60)[1]
        assert "replay/cli" not in said, said


def test_numbered_session_channels_do_not_stop_the_proposal(tmp_path: Path) -> None:
    frame = table(60).with_columns(
        **{f"joint_mode_{k}": pl.lit(253) for k in (1, 2)},
        **{f"payload_cog_{k}": pl.lit(0.0) for k in (1, 2, 3)},
        payload=pl.lit(1.07),
    )
    frame.write_csv(tmp_path / "log.csv")
    toml = propose_map(tmp_path / "log.csv").toml
    assert "payload_cog" not in "".join(s for s in toml.splitlines() if not s.startswith("#"))
    assert not take(tmp_path, tmp_path / "log.csv")[1].refused


# --- time


def test_year_2300_is_not_1715(tmp_path: Path) -> None:
    frame = table(60)
    for kind, times in {
        "text": frame["t"].str.replace("2031", "2300"),
        "us": instants(60).cast(pl.Datetime("us", "UTC")).dt.offset_by("269y"),
        "epoch": pl.Series([10_413_792_000.5 + k for k in range(60)]),
    }.items():
        path = tmp_path / f"{kind}.parquet"
        frame.with_columns(t=times).write_parquet(path)
        form = 'format = "epoch-s"' if kind == "epoch" else 'format = "iso8601"'
        result = take(tmp_path, path, log_map=MAP.replace('format = "iso8601"', form))[1]
        assert not result.sessions, (kind, result.sessions[0].start)


@pytest.mark.parametrize("form", ["epoch-s", "epoch-ms", "epoch-us"])
@pytest.mark.parametrize("even", [True, False])
def test_decimal_epochs_keep_their_nanoseconds(tmp_path: Path, form: str, even: bool) -> None:
    shift = {"epoch-s": 9, "epoch-ms": 6, "epoch-us": 3}[form]
    ns = [1_930_089_600_123_456_789 + k * 100_000_001 for k in range(80)]
    words = [f"{n // 10**shift}.{n % 10**shift:0{shift}d}" for n in ns]
    words = words if even else [w.rstrip("0") for w in words[:-1]] + [words[-1]]
    frame = table(80).with_columns(t=pl.Series(words))
    (tmp_path / "log.csv").write_text(text(frame))
    archive, result = take(tmp_path, tmp_path / "log.csv", log_map=MAP.replace("iso8601", form))
    assert samples(archive, only(result))["time"].cast(pl.Int64).to_list() == ns


@pytest.mark.parametrize("form", ["epoch-s", "epoch-ms"])
@pytest.mark.parametrize("place", ["t", "head.stamp"])
@pytest.mark.parametrize("odd", [False, True])
def test_decimal_epochs_in_json_keep_them_too(
    tmp_path: Path, form: str, place: str, odd: bool
) -> None:
    shift = {"epoch-s": 9, "epoch-ms": 6}[form]
    ns = [1_930_089_600_123_456_789 + k * 100_000_001 for k in range(80)]
    lines = []
    for n, row in zip(ns, table(80).drop("t").to_dicts(), strict=True):
        stamp = f"{n // 10**shift}.{n % 10**shift:0{shift}d}"
        inner = f'"t": {stamp}' if place == "t" else f'"head": {{"stamp": {stamp}}}'
        lines.append(f"{{{inner}, {json.dumps(row)[1:]}")
    if odd:
        lines[40] = lines[40].replace('"i1": ', '"i1": NaN, "was": ')
    (tmp_path / "log.ndjson").write_text("\n".join(lines) + "\n")
    log_map = MAP.replace("iso8601", form).replace('"t"', f'"{place}"')
    archive, result = take(tmp_path, tmp_path / "log.ndjson", log_map=log_map)
    assert samples(archive, only(result))["time"].cast(pl.Int64).to_list() == ns
    proposed = propose_map(tmp_path / "log.ndjson")
    told = {(x.table, x.key): x.value for x in proposed.lines}
    assert told["time", "column"] == f'"{place}"'
    assert told["time", "format"] == f'"{form}"'


@pytest.mark.parametrize("kind", ["decimals.parquet", "decimals.arrow", "words.xlsx"])
def test_decimal_epochs_keep_them_where_the_format_has_them(tmp_path: Path, kind: str) -> None:
    """A spreadsheet's number is a double and holds no more: there they come as words."""
    ns = [1_930_089_600_123_456_789 + k * 100_000_001 for k in range(80)]
    words = pl.Series([f"{n // 10**9}.{n % 10**9:09d}" for n in ns])
    exact = words.cast(pl.Decimal(28, 9)) if kind.startswith("decimals") else words
    frame, path = table(80).with_columns(t=exact), tmp_path / kind
    write = {".parquet": frame.write_parquet, ".arrow": frame.write_ipc, ".xlsx": frame.write_excel}
    write[path.suffix](path)  # type: ignore[operator]
    archive, result = take(tmp_path, path, log_map=MAP.replace("iso8601", "epoch-s"))
    assert samples(archive, only(result))["time"].cast(pl.Int64).to_list() == ns


def test_digits_that_are_not_the_readers_number_are_left_alone(tmp_path: Path) -> None:
    ns = [1_930_089_600_123_456_789 + k * 100_000_001 for k in range(80)]
    rows = table(80).drop("t").to_dicts()
    lines = [
        f'{{"note": "\\"t\\": 1.5,", "t": {n // 10**9}.{n % 10**9:09d}, "more": {{"t": {k}.5}}, '
        + json.dumps(r)[1:]
        for k, (n, r) in enumerate(zip(ns, rows, strict=True))
    ]
    (tmp_path / "log.ndjson").write_text("\n".join(lines) + "\n")
    log_map = MAP.replace("iso8601", "epoch-s")
    archive, result = take(tmp_path, tmp_path / "log.ndjson", log_map=log_map)
    stored = samples(archive, only(result))["time"].cast(pl.Int64).to_numpy()
    assert abs(stored - ns).max() < 300  # as near as a double is


@pytest.mark.parametrize("back_s", [0.013, 0.03, 0.05, 0.5, 5.0])
def test_a_clock_set_back_a_little_loses_nothing_unsaid(tmp_path: Path, back_s: float) -> None:
    k = np.arange(3000)
    ns = START_NS + np.round((k / 50 - back_s * (k >= 1500)) * 1e9).astype(int)
    when = pl.Series("t", ns).cast(pl.Datetime("ns", "UTC")).dt.strftime("%Y-%m-%dT%H:%M:%S%.6fZ")
    frame = table(3000).with_columns(t=when, a1=pl.Series(k / 100), a2=pl.Series(k / 50))
    (tmp_path / "log.csv").write_text(text(frame))
    archive, result = take(tmp_path, tmp_path / "log.csv")
    session = only(result)
    aside = sum(n.count for n in notes(session, "clock-step"))
    moved = sum(n.count for n in notes(session, "reordered"))
    stored = samples(archive, session)
    assert stored.height + aside == 3000
    falls = int((stored["J1.angle_deg"].diff() < 0).sum())
    assert falls == moved  # what is not in the order of the rows is told
    assert (aside > 0) == (back_s > 0.1)


def test_a_leap_second_costs_no_row(tmp_path: Path) -> None:
    words = [f"2016-12-31T23:59:{s:02d}.{f}Z" for s in range(50, 61) for f in range(10)]
    words += [f"2017-01-01T00:00:{s:02d}.{f}Z" for s in range(10) for f in range(10)]
    frame = table(len(words)).with_columns(t=pl.Series(words))
    frame.write_csv(tmp_path / "log.csv")
    archive, result = take(tmp_path, tmp_path / "log.csv")
    session = only(result)
    assert session.rows == len(words)
    assert samples(archive, session)["J1.current_a"].to_list() == frame["i1"].to_list()
    assert notes(session, "leap-second")[0].count == 10


def test_a_leap_second_of_atomic_time_costs_no_row(tmp_path: Path) -> None:
    # TAI was 36 s ahead of UTC before the leap second at the end of 2016, 37 s after it
    tai = [1_483_228_800 + 36 + k / 10 for k in range(-50, 50)]
    frame = table(100).with_columns(t=pl.Series([f"{t:.1f}" for t in tai]))
    frame.write_csv(tmp_path / "log.csv")
    log_map = MAP.replace('format = "iso8601"', 'format = "epoch-s"\nscale = "TAI"')
    archive, result = take(tmp_path, tmp_path / "log.csv", log_map=log_map)
    session = only(result)
    assert session.rows == 100
    stored = samples(archive, session)["time"].cast(pl.Int64).to_numpy() / 1e9 - 1_483_228_800
    assert stored[0] == pytest.approx(-5.0, abs=1e-6)
    assert stored[-1] == pytest.approx(3.9, abs=1e-6)
    assert (np.diff(stored) > 0.04).all()


def test_first_rows_of_an_unset_clock_do_not_make_the_start(tmp_path: Path) -> None:
    frame = table(100)
    words = [f"1970-01-01T00:00:0{k}.000Z" for k in range(3)] + frame["t"].to_list()[3:]
    frame.with_columns(t=pl.Series(words)).write_csv(tmp_path / "log.csv")
    session = only(take(tmp_path, tmp_path / "log.csv")[1])
    assert session.start.year == 2031
    assert session.rows == 97
    assert notes(session, "clock-spike")[0].count == 3
    assert session.completeness == pytest.approx(0.97)


def test_an_empty_first_row_does_not_win_over_the_first_good_one(tmp_path: Path) -> None:
    frame = table(100)
    empty = frame.head(1).with_columns(pl.lit(None, pl.Float64).alias(c) for c in frame.columns[1:])
    pl.concat([empty, frame]).write_csv(tmp_path / "log.csv")
    archive, result = take(tmp_path, tmp_path / "log.csv")
    assert samples(archive, only(result))["J1.angle_deg"].to_list() == frame["a1"].to_list()


def test_completeness_counts_what_was_set_aside(tmp_path: Path) -> None:
    lines = text(table(400)).splitlines()
    for k in range(10, 200, 10):  # 19 rows of bad times, one by one
        lines[k] = "never," + lines[k].split(",", 1)[1]
    for k in range(300, 350):  # 50 rows that are not there at all
        lines[k] = ""
    (tmp_path / "log.csv").write_text("\n".join(s for s in lines if s) + "\n")
    session = only(take(tmp_path, tmp_path / "log.csv")[1])
    assert session.rows == 331
    assert session.completeness == pytest.approx(331 / 400)


def test_a_run_set_aside_is_not_counted_twice(tmp_path: Path) -> None:
    lines = text(table(400)).splitlines()
    for k in range(100, 150):
        lines[k] = "never," + lines[k].split(",", 1)[1]
    (tmp_path / "log.csv").write_text("\n".join(lines) + "\n")
    assert only(take(tmp_path, tmp_path / "log.csv")[1]).completeness == pytest.approx(350 / 400)


@pytest.mark.parametrize("ends", ["\n", "\r"])
def test_a_whole_last_row_without_an_end_is_kept(tmp_path: Path, ends: str) -> None:
    frame = table(60).with_columns(register=pl.lit(12345))
    whole = text(frame).replace("\n", ends)
    (tmp_path / "log.csv").write_bytes(whole.removesuffix(ends).encode())
    archive, result = take(tmp_path, tmp_path / "log.csv")
    assert samples(archive, only(result))["J2.current_a"].to_list() == frame["i2"].to_list()
    # cut within the register: the mapped cells are whole
    (tmp_path / "cut.csv").write_bytes(whole.removesuffix(ends)[:-2].encode())
    assert only(take(tmp_path / "b", tmp_path / "cut.csv")[1]).rows == 60
    # cut before the register: the last mapped cell may be short
    (tmp_path / "short.csv").write_bytes(whole.removesuffix(f",12345{ends}")[:-1].encode())
    assert only(take(tmp_path / "c", tmp_path / "short.csv")[1]).rows == 59


def test_a_joint_at_rest_is_not_stuck(tmp_path: Path) -> None:
    frame = table(2000)
    k = np.arange(2000)
    there = np.clip(k - 500, 0, 800) * 0.01
    hung = np.where((k > 900) & (k < 1000), there[900], there)
    frame = frame.with_columns(a1=np.round(there, 4), a2=np.round(hung, 4))
    frame.write_csv(tmp_path / "log.csv")
    told = notes(only(take(tmp_path, tmp_path / "log.csv")[1]), "stuck")
    assert [n.joint for n in told] == ["J2"]


def test_ingest_of_python_takes_no_patterns(tmp_path: Path) -> None:
    table(60).write_csv(tmp_path / "a.csv")
    archive = open_archive(tmp_path / "x", create=True)
    with pytest.raises(Exception, match="no such file"):
        ingest(archive, str(tmp_path / "*.csv"), log_map=MAP)
