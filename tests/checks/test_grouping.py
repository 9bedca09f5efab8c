"""What belongs to one event, and what to one finding."""

import pytest

from replay.checks.findings import Event, together


def event(joint, start_s, end_s, score=5.0, *, windowed=True, statistic="friction"):
    return Event(
        joint,
        start_s,
        end_s,
        score,
        statistic,
        1.0,
        statistics=frozenset({statistic}),
        windowed=windowed,
    )


@pytest.mark.parametrize(
    ("first", "second", "one_push"),
    [
        ((10.0, 12.0), (11.0, 14.0), True),
        ((10.0, 12.0), (16.0, 18.0), True),  # eight seconds in all
        ((10.0, 12.0), (16.0, 18.1), False),
        ((10.0, 60.0), (11.0, 12.0), False),  # a push is over by then
    ],
)
def test_two_joints_shaken_within_eight_seconds_had_one_push(first, second, one_push):
    one, other = event("J1", *first), event("J2", *second)
    assert together(one, other) is one_push
    assert together(other, one) is one_push


def test_one_joint_alone_is_no_push_of_two():
    assert not together(event("J1", 10.0, 12.0), event("J1", 11.0, 13.0))


def test_what_overlaps_is_counted_by_the_shorter():
    long, short = event("J1", 0.0, 100.0), event("J1", 90.0, 110.0)
    assert long.overlap(short) == short.overlap(long) == pytest.approx(0.5)
    assert long.overlap(event("J1", 100.1, 120.0)) == 0.0


def test_the_rarer_of_two_gives_its_name_and_both_their_time():
    one, other = event("J1", 10.0, 20.0), event("J1", 18.0, 30.0, 7.0, statistic="offset")
    both = one.joined(other)
    assert (both.start_s, both.end_s) == (10.0, 30.0)
    assert (both.score, both.statistic) == (7.0, "offset")
    assert both.statistics == {"friction", "offset"}
    assert (one.score, one.statistics) == (5.0, {"friction"})


def test_a_loose_window_of_a_slow_measure_does_not_stretch_a_firm_one():
    firm = event("J1", 10.0, 12.0)
    both = firm.joined(event("J1", 2.0, 40.0, 4.0, windowed=False))
    assert (both.start_s, both.end_s) == (10.0, 12.0)
