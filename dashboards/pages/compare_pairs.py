"""What the comparison says of a joint's pairs of motions, and of one pair."""

from __future__ import annotations

from typing import Any

from dashboards.queries import comparison
from replay.wording import clock, counted


def opening_joint(made: comparison.Comparison) -> str | None:
    """Return the joint to open on: the first that has a pair, else the first; None without any."""
    paired = (joint for joint in made.joints if made.pairs_of(joint).height)
    return next(paired, made.joints[0] if made.joints else None)


def pairs_words(made: comparison.Comparison, joint: str) -> str:
    """Say how many motions of a joint have a partner."""
    count = made.pairs_of(joint).height
    have = counted(count, "motion has", "motions have")
    return (
        f"{joint}: {have} a partner in the other session (same direction, alike in "
        "travel, speed, posture, length and payload; current plays no part). A jump of the angle's "
        "reading is no travel. Bars up and down are the two directions."
    )


def pair_words(pair: dict[str, Any]) -> str:
    """Say when the two motions of a pair were, and their currents."""
    a, b = pair["current_abs_a_first"], pair["current_abs_a_second"]
    current = (
        ""
        if a is None or b is None
        else f" Median size of the current, its sign left out: {a:.2f} A and {b:.2f} A, "
        f"{_smaller_or_larger(a, b)}."
    )
    return (
        f"First at {clock(pair['first_start'])}, second at {clock(pair['second_start'])}. "
        f"How unlike the two motions are, currents left out: distance {pair['distance']:.2f} "
        f"(0 is the same motion).{current}"
    )


def _smaller_or_larger(first_a: float, second_a: float) -> str:
    more = round(round(second_a, 2) - round(first_a, 2), 2)
    if not more:
        return "the same to 0.01 A"
    return f"the second's {abs(more):.2f} A {'larger' if more > 0 else 'smaller'}"
