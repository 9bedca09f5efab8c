"""Which flags another limit keeps, adds and leaves out: told by joint and shared time."""

from datetime import UTC, datetime, timedelta

import polars as pl

from dashboards.queries.event.rebuilt import SCHEMA, met

AT = datetime(2031, 3, 4, 9, tzinfo=UTC)


def flags(*spans):
    rows = [
        (joint, "stall", "look", 3.0, AT + timedelta(seconds=a), AT + timedelta(seconds=b))
        for joint, a, b in spans
    ]
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def test_what_only_the_learned_limit_flags_is_told_apart_from_what_both_do():
    learned = flags(("J1", 0, 4), ("J2", 0, 4), ("J1", 20, 24))
    here = flags(("J1", 3, 9), ("J3", 0, 4))
    assert met(learned, here, "both", "learned").to_list() == ["both", "learned", "learned"]
    assert met(here, learned, "both", "here").to_list() == ["both", "here"]


def test_a_limit_that_flags_nothing_leaves_all_to_the_learned_one():
    learned = flags(("J1", 0, 4))
    assert met(learned, flags(), "both", "learned").to_list() == ["learned"]
    assert met(flags(), learned, "both", "here").to_list() == []
