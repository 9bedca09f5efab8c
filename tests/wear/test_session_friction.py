"""One session's friction is what the trends are made of, with what it cannot tell."""

import dataclasses

import numpy as np
import polars as pl
import pytest
from conftest import BEGIN, add, motion_frame

from replay.archive import open_archive
from replay.cli.wear.mechanics import session_mechanics
from replay.signals import joint_tables
from replay.wear import indicators
from replay.wear.reference.store import load
from replay.wear.session_friction import INDICATOR_OF, session_friction

COULOMB_A, VISCOUS_A_S_DEG = 0.8, 0.05


@pytest.fixture(scope="module")
def few(tmp_path_factory):
    """Nine sessions of a joint whose friction is known: a reference of eight is made."""
    archive = open_archive(tmp_path_factory.mktemp("few"), create=True)
    for number in range(9):
        start = BEGIN.replace(day=BEGIN.day + number)
        joints = {"J1": (COULOMB_A, VISCOUS_A_S_DEG, 4.0)}
        frame = motion_frame(start, joints=joints, seed=number, seconds=300.0)
        add(archive, number, frame, units={"J1": "TU-1"}, start=start)
    return archive


def terms_of(found):
    return {term.name: term for term in found.terms}


def test_without_other_sessions_it_is_told_from_this_one_and_right(few):
    found = session_friction({}, "J1", "TU-1", joint_tables(few, "S0003")["J1"])
    terms = terms_of(found)
    assert not found.of_unit
    assert found.r2 > 0.95
    for way in ("forward", "backward", "both"):
        term = terms[f"coulomb {way}"]
        assert abs(term.value - COULOMB_A) < 4 * term.se < 0.2
    usual = COULOMB_A + VISCOUS_A_S_DEG * found.usual_rate_deg_s
    assert terms["both at usual rate"].value == pytest.approx(usual, abs=0.02)


def test_a_figure_is_that_of_the_trend_to_the_digit(few):
    rows = indicators(few)
    for session in ("S0002", "S0008"):
        (found,) = session_mechanics(few, session)["friction"]
        own = rows.filter(pl.col("session") == session)
        told = [t for t in found["terms"] if t.determined]
        assert {t.name for t in told} >= {"coulomb forward", "coulomb both", "both at usual rate"}
        for term in told:
            row = own.row(by_predicate=pl.col("indicator") == INDICATOR_OF[term.name], named=True)
            assert (term.value, term.se, term.unit) == (row["value"], row["se"], row["unit"])
        assert found["of_unit"]


def test_a_direction_that_was_not_seen_is_named(few):
    table = joint_tables(few, "S0004")["J1"]
    forward = table.with_columns(
        pl.when(pl.col("direction") < 0).then(None).otherwise("current_a").alias("current_a")
    )
    indicators(few)
    found = session_friction(load(few), "J1", "TU-1", forward)
    terms = terms_of(found)
    assert not terms["coulomb backward"].determined
    assert terms["coulomb backward"].why == "no motion backward"
    assert np.isnan(terms["coulomb backward"].value)
    assert terms["coulomb forward"].determined


def test_a_joint_that_rests_has_no_friction_to_tell(few):
    table = joint_tables(few, "S0004")["J1"].with_columns(pl.lit(0.0).alias("rate_deg_s"))
    assert session_friction({}, "J1", "TU-1", table) is None


def test_what_is_told_cannot_be_changed(few):
    found = session_friction({}, "J1", "TU-1", joint_tables(few, "S0004")["J1"])
    with pytest.raises(dataclasses.FrozenInstanceError):
        found.terms[0].value = 0.0
