"""Which marks of a minute are kept, and what a single swing is a sign of."""

from replay.signatures.marks import Mark, best_per_minute
from replay.signatures.registry import BY_KIND


def test_the_largest_of_a_minute_are_kept_though_logarithms_are_below_nought():
    """A swing's size is a logarithm: the calmest is the furthest from nought."""
    marks = [Mark("swing", "speed 0", float(k), k + 3.0, raw) for k, raw in enumerate((-9, -2, -5))]
    assert [m.raw for m in best_per_minute(marks)] == [-2, -5]


def swing(stops, swings, low, high):
    detail = {"stops": stops, "swings": swings, "low": low, "high": high}
    return Mark("swing", "speed 0", 10.0, 13.0, -1.0, detail, 9.0)


def test_a_swing_that_repeats_is_sticking_and_a_single_one_rather_an_obstacle():
    again, once = swing(3, 6, 0.1, 2.0), swing(1, 2, 0.1, 6.0)
    behind = Mark("behind", "2s/1", 10.0, 12.0, 2.0, {"due_deg": 3.0, "missing_deg": 2.0}, 9.0)
    sticks, holds = BY_KIND["stick-slip"], BY_KIND["stall"]
    assert sticks.claims(again, [again, behind]) == 1.0
    assert sticks.claims(once, [once, behind]) < holds.claims(once, [once, behind])
