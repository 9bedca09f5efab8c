import json

import polars as pl
import pytest

from replay.cli.main import main
from replay.wear import indicators, trends


def by_name(found):
    return {(t.serial, t.indicator): t for t in found}


def test_indicators_are_near_the_truth_and_know_their_error(worn):
    table = indicators(worn)
    first = table.filter((pl.col("session") == "S0000") & (pl.col("serial") == "TU-102"))
    rows = {r["indicator"]: r for r in first.iter_rows(named=True)}
    coulomb = rows["coulomb friction forward"]
    assert coulomb["value"] == pytest.approx(1.2, abs=4 * coulomb["se"])
    assert 0.001 < coulomb["se"] < 0.05
    assert rows["viscous friction backward"]["value"] == pytest.approx(0.08, abs=0.01)
    assert rows["friction at usual rate"]["unit"] == "A"
    assert rows["residual spread"]["value"] == pytest.approx(0.03, rel=0.15)
    assert rows["travel"]["value"] > 100


def test_indicators_are_measured_once(worn):
    indicators(worn)
    seen = []
    indicators(worn, progress=lambda todo: seen.append(list(todo)) or todo)
    assert seen == []


def test_the_worn_unit_rises_at_the_true_rate_and_the_other_is_steady(worn):
    indicators(worn)
    found = by_name(trends(worn))
    worn_one = found["TU-101", "friction at usual rate"]
    assert worn_one.result == "rising"
    assert worn_one.slope_low <= 0.2 <= worn_one.slope_high
    assert worn_one.n == 30
    assert {t.result for (serial, _), t in found.items() if serial == "TU-102"} == {"steady"}


def test_a_season_of_temperature_is_no_wear(worn):
    indicators(worn)
    steady = by_name(trends(worn))["TU-102", "friction at usual rate"]
    assert "temperature_c" in steady.detail["corrected_for"]
    assert steady.detail["condition_effects"]["temperature_c"] == pytest.approx(0.08, rel=0.2)


def test_command_prints_the_trends_as_json(worn, capsys):
    assert main(["wear", "--archive", str(worn.root), "--json", "--joint", "J1"]) == 0
    found = json.loads(capsys.readouterr().out)["trends"]
    assert {t["joint"] for t in found} == {"J1"}
    keys = {"joint", "indicator", "unit", "n", "slope_per_year", "slope_low", "slope_high"}
    assert keys | {"p_value", "verdict"} <= set(found[0])
    assert "rising" in {t["verdict"] for t in found}
