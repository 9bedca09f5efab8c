"""`jointbook outliers`: a plain table, no archive."""

import json
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from replay.cli.main import main

COBOT = Path(__file__).parents[1] / "data" / "cobotops_cut.csv"


def pump(count=3000, seed=0):
    """A pump whose current rises with the square of its speed, and with temperature."""
    rng = np.random.default_rng(seed)
    speed = np.where(rng.random(count) < 0.2, 0.0, rng.uniform(200, 1500, count))
    warm = rng.uniform(10, 50, count)
    current = np.where(speed > 0, 1.0 + 2e-6 * speed**2 + 0.01 * (warm - 30), 0.05)
    return pl.DataFrame({"rpm": speed, "deg C": warm, "A": current + 0.02 * rng.normal(size=count)})


def told(capsys, *words):
    code = main(["outliers", *map(str, words), "--json"])
    return code, json.loads(capsys.readouterr().out)


def put(frame, row, by):
    """Add to the current of one row, counted from 1."""
    at = pl.int_range(1, pl.len() + 1) == row
    return frame.with_columns(pl.col("A") + pl.when(at).then(by).otherwise(0.0))


WORDS = ("--current", "A", "--speed", "rpm", "--condition", "deg C")


@pytest.mark.parametrize("row", ["first moving", "first at rest"])
def test_a_row_that_draws_a_little_more_than_its_speed_calls_for_is_the_oddest(
    tmp_path, capsys, row
):
    frame = pump()
    moves = (frame["rpm"] > 0).to_numpy()
    at = int(np.argmax(moves if row == "first moving" else ~moves)) + 1
    put(frame, at, 0.3).write_csv(tmp_path / "pump.csv")
    code, found = told(capsys, tmp_path / "pump.csv", *WORDS)
    assert code == 0
    assert found["judged_rows"] == found["learned_rows"] == 3000
    first = found["outliers"][0]
    assert first["row"] == at
    assert first["channel"] == "A"
    assert first["residual"] == pytest.approx(0.3, abs=0.08)
    assert first["current"] - first["expected"] == pytest.approx(first["residual"])
    assert len(found["outliers"]) <= 30  # one in a hundred was asked for


def test_what_is_usual_comes_from_another_table_where_one_is_named(tmp_path, capsys):
    """In a table whose every row is odd none is, unless usual ones are at hand."""
    pump().write_parquet(tmp_path / "usual.parquet")
    pump(400, seed=1).with_columns(pl.col("A") + 0.4).write_csv(tmp_path / "now.csv")
    _, alone = told(capsys, tmp_path / "now.csv", *WORDS)
    _, beside = told(
        capsys, tmp_path / "now.csv", *WORDS, "--learn-from", tmp_path / "usual.parquet"
    )
    assert len(alone["outliers"]) <= 4
    assert len(beside["outliers"]) >= 396
    assert beside["learned_rows"] == 3000


def test_usual_rows_that_taught_nothing_are_told(tmp_path, capsys):
    lines = pump().write_csv().splitlines()
    lines[100] += ",7,7"  # too many cells
    lines[200] = lines[200].rpartition(",")[0] + ",off"  # no number
    (tmp_path / "usual.csv").write_text("\n".join(lines) + "\n")
    pump(400, seed=1).write_csv(tmp_path / "now.csv")
    words = [tmp_path / "now.csv", *WORDS, "--learn-from", tmp_path / "usual.csv"]
    code, found = told(capsys, *words)
    assert code == 1
    assert found["learned_rows"] == 2998
    assert found["not_learned"] == {"A": 2, "rpm": 1, "deg C": 1}
    assert (found["not_read_of_learned"], found["not_read"], found["not_judged"]) == (1, 0, {})
    assert main(["outliers", *map(str, words)]) == 1
    assert "usual.csv without a number in 'rpm'" in capsys.readouterr().err


def test_rows_keep_their_place_when_others_cannot_be_read(tmp_path, capsys):
    lines = put(pump(), 2500, 1.0).write_csv().splitlines()
    lines[100] += ",7,7"  # too many cells: row 100
    lines[200] = lines[200].rpartition(",")[0] + ",off"  # no number: row 200
    (tmp_path / "pump.csv").write_text("\n".join(lines) + "\n")
    code, found = told(capsys, tmp_path / "pump.csv", *WORDS)
    assert code == 1
    assert found["not_read"] == 1
    assert found["not_judged"] == {"A": 2, "rpm": 1, "deg C": 1}
    assert found["judged_rows"] == 2998
    assert found["outliers"][0]["row"] == 2500


def test_the_table_in_a_file_holds_every_judged_row(tmp_path, capsys):
    pump().write_csv(tmp_path / "pump.csv")
    out = tmp_path / "judged.parquet"
    assert main(["outliers", str(tmp_path / "pump.csv"), *WORDS, "--out", str(out)]) == 0
    rows = pl.read_parquet(out)
    assert rows.height == 3000
    assert rows["row"].to_list() == list(range(1, 3001))
    assert 20 <= rows["outlier"].sum() <= 30
    capsys.readouterr()


def test_six_currents_of_a_real_log_with_decimal_commas_are_judged_together(capsys):
    # UCI data set 963, doi 10.24432/C5J891, CC BY 4.0
    words = ["--current", *(f"Current_J{j}" for j in range(6))]
    words += ["--speed", *(f"Speed_J{j}" for j in range(6))]
    _, found = told(capsys, COBOT, *words)
    assert found["judged_rows"] > 500
    assert {row["channel"] for row in found["outliers"]} <= set(words)
    assert 0 < len(found["outliers"]) <= 0.011 * found["judged_rows"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--current", "Amps"), "no column 'Amps'"),
        (("--current", "A", "--speed", "rpm", "deg C"), "1 currents, but 2 speeds"),
        (("--current", "A", "A"), "column 'A' is named twice"),
        (("--current", "A", "--share", "0.7"), "contamination is 0.7"),
        (("--current", "A", "--out", "x.doc"), "no such format"),
    ],
)
def test_what_cannot_be_judged_is_refused_in_words(tmp_path, capsys, words, said):
    pump(100).write_csv(tmp_path / "pump.csv")
    assert main(["outliers", str(tmp_path / "pump.csv"), *words]) == 2
    assert said in capsys.readouterr().err
