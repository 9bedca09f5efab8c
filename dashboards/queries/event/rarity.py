"""How rare a flag's score is, no rarer than the hours of learning can bear."""

from __future__ import annotations

from replay.models import Baseline


def as_rare(baseline: Baseline, score: float | None) -> int:
    """Return how many stretches of training, judged as if new, reach a score."""
    from replay.checks.promise import seen_events

    return 0 if score is None else seen_events(baseline, score)


def rarity(score: float | None, hours: float | None, seen: int = 0) -> str:
    """Say how rare an event is, no rarer than the hours of learning can bear.

    ``seen``: how many stretches of training were as rare, judged as if new.

    >>> rarity(1.0, 50.0)
    'Healthy joints show one as rare about once in 10 joint-hours.'
    >>> rarity(6.5, 42.0)
    'Nothing as rare is in the 42 joint-hours that taught the baseline; they bear no rarer figure.'
    >>> rarity(2.6, 23.0, 13)
    'As rare were 13 stretches of the 23 joint-hours that taught the baseline, sound or not.'
    """
    if score is None:
        return ""
    if not hours or hours <= 0:
        return "How rare this is cannot be said: no learning hours are known."
    due = hours / 10**score
    if seen > 3 * due and seen:
        were = "was 1 stretch" if seen == 1 else f"were {seen} stretches"
        return (
            f"As rare {were} of the {hours:,.0f} joint-hours that taught the baseline, "
            "sound or not."
        )
    if due < 1:
        return (
            f"Nothing as rare is in the {hours:,.0f} joint-hours that taught the baseline; "
            "they bear no rarer figure."
        )
    return f"Healthy joints show one as rare about once in {10**score:,.0f} joint-hours."
