"""How rare a flag's score is, no rarer than the hours of learning can bear."""

from __future__ import annotations

from replay.models import Baseline
from replay.wording import score_figure


def as_rare(baseline: Baseline, score: float | None) -> int:
    """Return how many stretches of training, judged as if new, reach a score."""
    from replay.checks.promise import seen_events

    return 0 if score is None else seen_events(baseline, score)


MOST_SCORE = 15.0
"""A rarer event than once in so many powers of ten of joint-hours has no rate to tell."""


def score_words(score: float) -> str:
    """Return a score for reading.

    >>> score_words(2.634), score_words(260.0)
    ('2.63', '≥ 260, too high for a rate')
    """
    return score_figure(score) + ("" if score <= MOST_SCORE else ", too high for a rate")


UNTOLD = "no learning hours are known"


def rarity(score: float | None, hours: float | None, seen: int = 0, why: str = UNTOLD) -> str:
    """Say how rare an event is, no rarer than the hours of learning can bear.

    ``seen``: how many stretches of training scored as high, judged as if new; ``why``: why the
    hours are not known, where they are not.

    >>> rarity(1.0, 50.0)
    'Healthy joints show one as rare about once in 10 joint-hours.'
    >>> rarity(6.5, 42.0)
    'Nothing as rare is in the 42 joint-hours that taught the baseline; they bear no rarer figure.'
    >>> rarity(2.6, 23.0, 13)
    '13 stretches of the 23 joint-hours that taught the baseline score as high, faults included.'
    >>> rarity(1.7, 50.0, 1)
    '1 stretch of the 50 joint-hours that taught the baseline scores as high, faults included.'
    """
    if score is None:
        return ""
    if not hours or hours <= 0:
        return f"How rare this is cannot be said: {why}."
    due = hours / 10**score
    if seen and (seen > 3 * due or due < 1):
        what, verb = ("stretch", "scores") if seen == 1 else ("stretches", "score")
        taught = f"{hours:,.0f} joint-hours that taught the baseline"
        return f"{seen} {what} of the {taught} {verb} as high, faults included."
    if due < 1:
        return (
            f"Nothing as rare is in the {hours:,.0f} joint-hours that taught the baseline; "
            "they bear no rarer figure."
        )
    return f"Healthy joints show one as rare about once in {10**score:,.0f} joint-hours."
