"""Any table of channels goes in, in any format, and the same values come out."""

from __future__ import annotations

import tempfile
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from replay.cleaning.stream.channels import SENTINELS
from tests.cleaning.logs import MAP, instants, only, samples, take
from tests.cleaning.test_formats import LONG, write

WHOLE = """
[joint.temperature]
column = "c{n}"
unit = "degC"
[joint.brake_state]
column = "b{n}"
[session.phase]
column = "phase"
"""
ROWS = 24
KINDS = ["csv", "tsv", "txt", "ndjson", "parquet", "feather", "arrows", "xlsx", "csv.gz"]

NUMBERS = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False),
    st.floats(-100, 100),
    st.sampled_from(
        [0.0, -0.0, 5e-324, 2.2250738585072014e-308, 9.999999e29, 0.1, 1 / 3, 2**53 + 2.0]
    ),
).filter(lambda x: abs(x) < 1e30 and x not in SENTINELS)


def column(cells: st.SearchStrategy[object]) -> st.SearchStrategy[list[object]]:
    """Return a column with holes."""
    return st.lists(st.one_of(cells, cells, st.none()), min_size=ROWS, max_size=ROWS)


def as_written(value: float | None, kind: str) -> float | None:
    """Return what a file holds of a value: workbooks are written with 16 digits here."""
    return float(f"{value:.16G}") if kind == "xlsx" and value is not None else value


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=20, suppress_health_check=list(HealthCheck))
@given(
    current=column(NUMBERS),
    warm=column(NUMBERS),
    brake=column(st.booleans()),
    phase=column(st.sampled_from(["approach", "hold fast", "zurück", "7b"])),
)
@example(
    current=[None] * ROWS, warm=[1e-300] * ROWS, brake=[None] * ROWS, phase=["approach"] * ROWS
)
def test_the_same_values_come_out(
    kind: str,
    current: list[float | None],
    warm: list[float | None],
    brake: list[bool | None],
    phase: list[str | None],
) -> None:
    steady = pl.Series([k / 8 for k in range(ROWS)])
    frame = pl.DataFrame(
        {
            "t": instants(ROWS).dt.strftime("%Y-%m-%dT%H:%M:%S%.9fZ"),
            "a1": steady,
            "a2": steady,
            "i1": pl.Series(current, dtype=pl.Float64),
            "i2": steady + 1,
            "c1": pl.Series(warm, dtype=pl.Float64),
            "c2": steady,
            "b1": pl.Series(brake, dtype=pl.Boolean),
            "b2": pl.Series([k % 2 == 0 for k in range(ROWS)]),
            "phase": pl.Series(phase, dtype=pl.String),
        }
    )
    with tempfile.TemporaryDirectory() as name:
        archive, result = take(Path(name), write(frame, Path(name), kind), log_map=MAP + WHOLE)
        got = samples(archive, only(result))
    assert got["time"].to_list() == instants(ROWS).to_list()
    for ours, theirs in (
        ("J1.angle_deg", steady.to_list()),
        ("J1.current_a", current),
        ("J1.temperature_c", warm),
    ):
        assert got[ours].to_list() == [as_written(v, kind) for v in theirs]  # type: ignore[arg-type]
    assert got["J1.brake_engaged"].to_list() == brake
    assert got["J2.brake_engaged"].to_list() == [k % 2 == 0 for k in range(ROWS)]
    assert got["phase"].to_list() == phase


@pytest.mark.parametrize("kind", ["csv", "ndjson", "parquet"])
@settings(max_examples=20, suppress_health_check=list(HealthCheck))
@given(current=st.lists(NUMBERS, min_size=ROWS, max_size=ROWS))
def test_the_same_values_come_out_of_a_long_table(kind: str, current: list[float]) -> None:
    cells = [
        (at, what, value)
        for k, at in enumerate(instants(ROWS).dt.strftime("%Y-%m-%dT%H:%M:%S%.9fZ"))
        for what, value in (("a1", k / 8), ("a2", 0.5), ("i1", current[k]), ("i2", 1.5 + k))
    ]
    frame = pl.DataFrame(cells, schema=["t", "what", "value"], orient="row")
    with tempfile.TemporaryDirectory() as name:
        archive, result = take(Path(name), write(frame, Path(name), kind), log_map=LONG)
        got = samples(archive, only(result))
    assert got["J1.current_a"].to_list() == current
