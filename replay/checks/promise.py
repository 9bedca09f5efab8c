"""What a baseline promises about false flags, and on how much that rests.

Scores of held-out blocks, by tails that were fitted without their sessions, are
kept in the baseline (``calibration["promise"]``). Events of one session are
counted together: sessions are independent, blocks are not.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from replay.checks.limits.calibration import Calibration
from replay.models.baseline import FEWEST_SESSIONS, Baseline
from replay.statistics.rates import CONFIDENCE, rate_bound
from replay.wording import counted

CANNOT_PROMISE = "cannot promise this rate from so few sessions"


def score_limit_for(asked: float) -> float:
    """Return the score that healthy joint-hours reach ``asked`` times per 100."""
    return float(-np.log10(-np.expm1(-max(asked, 1e-12) / 100)))


def calibration_of(baseline: Baseline) -> Calibration:
    """Return the limits' laws that travel with a baseline."""
    return Calibration.from_plain(baseline.calibration["laws"])


def hours(baseline: Baseline) -> float:
    """Joint-hours of held-out healthy running behind the limit."""
    return float(sum(baseline.calibration["promise"]["hours"]))


def seen_events(baseline: Baseline, limit: float) -> int:
    """Count held-out blocks whose score reaches the limit."""
    return int(np.sum(np.array(baseline.calibration["promise"]["scores"]) >= limit))


def expected_rate(baseline: Baseline) -> float:
    """Return false flags expected per 100 joint-hours: as asked, or what was seen if more."""
    events = seen_events(baseline, score_limit_for(baseline.asked))
    shown = 100 * events / max(hours(baseline), 1e-9) if events >= 3 else 0.0
    return float(max(baseline.asked, shown))


def bound(baseline: Baseline, asked: float | None = None) -> float:
    """Return the upper bound on false flags per 100 joint-hours, with `CONFIDENCE`."""
    clusters, each = by_session(baseline, baseline.asked if asked is None else asked)
    return 100 * each * rate_bound(clusters, hours(baseline))


def by_session(baseline: Baseline, asked: float) -> tuple[int, float]:
    """Return in how many training sessions a rate's limit is reached, and how often in each."""
    promise = baseline.calibration["promise"]
    hit = np.array(promise["scores"]) >= score_limit_for(asked)
    names = np.array(promise["sessions"], dtype=object)
    return clusters_of(list(names[hit]))


def clusters_of(names: Sequence[str]) -> tuple[int, float]:
    """Return how many sessions events lie in, and how many events each of those has.

    >>> clusters_of(["a", "a", "b", "a"])
    (2, 2.0)
    """
    clusters = len(set(names))
    return clusters, len(names) / clusters if clusters else 1.0


def sentence(baseline: Baseline, asked: float | None = None) -> str:
    """Say whether the asked rate can be promised."""
    rate = baseline.asked if asked is None else asked
    most, whole, count = bound(baseline, rate), hours(baseline), len(baseline.sessions)
    gone = sum(len(u.set_aside) for u in baseline.units.values())
    left_out = ""
    if gone:
        left_out = f"; {counted(gone, 'joint-session')} set aside while learning, counted here"
    two_digits = f"{float(f'{most:.2g}'):g}"
    if most > 2 * rate or count < FEWEST_SESSIONS:
        return (
            f"{CANNOT_PROMISE}: {whole:.1f} joint-hours in {counted(count, 'session')} bound it at "
            f"{two_digits} per 100 joint-hours ({CONFIDENCE:.0%} confidence), "
            f"asked {rate:g}{left_out}"
        )
    return (
        f"at most {two_digits} false flags per 100 joint-hours ({CONFIDENCE:.0%} confidence, "
        f"{whole:.0f} joint-hours in {counted(count, 'session')}), asked {rate:g}{left_out}"
    )
