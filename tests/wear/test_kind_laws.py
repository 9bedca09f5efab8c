"""What temperature does is learned from all units of a kind together."""

import numpy as np
import polars as pl
import pytest
from makers import no_notes, note, unit

from replay.wear.assessment.trends import judge
from replay.wear.histories.history import histories
from replay.wear.histories.kind_laws import kind_laws

SEASON = 0.1


def fleet(count=7, sessions=100, **of_first):
    """Return the table of some units of a kind; the first may be given more."""
    return pl.concat(
        [
            unit(
                [k, 41],
                serial=f"TU-{k}",
                joint=f"J{k}",
                sessions=sessions,
                season=SEASON,
                missing=False,
                **({"growth": 0.0} | (of_first if k == 0 else {})),
            ).rows
            for k in range(count)
        ]
    )


def test_the_law_of_the_others_is_that_of_the_plant():
    law = kind_laws(fleet())["TU-0", "friction at usual rate"]
    assert law.units == 6
    # the makers' law: season * (cold + 0.15 cold²), cold = (18 - T) / 11 degrees
    shift = (law.reference_c - 18) / 11
    slope = -SEASON * (1 - 0.3 * shift) / 11 * 10
    assert law.mean[0] == pytest.approx(slope, abs=0.015)
    assert law.mean[1] == pytest.approx(SEASON * 0.15 * (10 / 11) ** 2, abs=0.015)


def test_units_that_differ_are_believed_less_to_be_alike():
    alike = kind_laws(fleet())["TU-0", "friction at usual rate"]
    mixed = pl.concat(
        [
            unit([k, 43], serial=f"TU-{k}", sessions=100, season=0.05 * k, missing=False).rows
            for k in range(7)
        ]
    )
    spread = kind_laws(mixed)["TU-0", "friction at usual rate"]
    assert spread.covariance[0, 0] > 10 * alike.covariance[0, 0]


def test_a_law_moves_to_other_coordinates_with_its_values():
    law = kind_laws(fleet())["TU-1", "friction at usual rate"]
    warm = ("temperature_c", "temperature_c")
    mean, _ = law.about(warm, {"temperature_c": 12.0}, {"temperature_c": 6.0})
    x = (9.0 - 12.0) / 6.0
    z = (np.array([9.0, 12.0]) - law.reference_c) / 10.0
    at = law.mean[0] * z + law.mean[1] * z**2
    assert mean[0] * x + mean[1] * x * x == pytest.approx(at[0] - at[1])


def test_a_unit_alone_has_no_law_but_its_own():
    assert kind_laws(fleet(count=2)) == {}


def test_the_others_free_a_slope_from_the_season():
    table = fleet(growth=0.2, sessions=400)
    # most of one year: the season and the trend of one unit can hardly be told apart
    table = table.filter(pl.col("start") < pl.col("start").min() + pl.duration(days=230))
    own = table.filter(pl.col("serial") == "TU-0")
    alone = next(iter(histories(own, no_notes(), use=pl.DataFrame())))
    told = next(iter(histories(own, no_notes(), use=pl.DataFrame(), laws=kind_laws(table))))
    assert alone.adjusted.variance_factor > 1.5 * told.adjusted.variance_factor
    assert told.adjusted.variance_factor >= 1.0


def test_a_note_on_one_unit_changes_no_word_of_another():
    table = fleet(growth=0.3)
    bare = {t.serial: t for t in judge(table, no_notes(), {})}
    when = table["start"].median()
    noted = {t.serial: t for t in judge(table, note("TU-3", when, "relubricated"), {})}
    for serial in sorted(bare.keys() - {"TU-3"}):
        assert noted[serial] == bare[serial]
    assert noted["TU-3"] != bare["TU-3"]


def test_a_unit_is_asked_the_same_whatever_others_there_are():
    table = fleet(growth=0.3)
    one = judge(table.filter(pl.col("serial") == "TU-0"), no_notes(), {})[0]
    # alone in its family: nothing is shared with other units
    assert one.detail["adjusted_p_value"] == pytest.approx(one.p_value / 2, rel=1e-9)
