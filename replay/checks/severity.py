"""How urgent a finding is, by one written rule.

``act``: a brake that slips; a joint that lacks half of the travel that was due; friction or brake
drag of half of the usual moving current or more. ``note``: a hole in the log of
less than five seconds, and what no kind explains and is rarer than the limit by
less than a factor of a thousand. ``look``: everything else.

The words follow the idea in ISO 13372 that an alert asks for a closer look and an
alarm for a decision. Severity says what is owed, never that an arm is fit to move.
"""

from __future__ import annotations

from replay.records import Severity
from replay.signatures.kinds import Facts
from replay.signatures.stall import lacking

HALF = 0.5
LONG_GAP_S = 5.0
PLAIN_SCORE = 3.0
"""Decades of rarity beyond the limit."""


def severity(kind: str, facts: Facts, seconds: float, beyond: float) -> Severity:
    """Return what is owed.

    Parameters
    ----------
    kind : str
    facts : Facts
    seconds : float
        Length of the finding.
    beyond : float
        Score less the limit, decades.
    """
    if kind == "brake-slip":
        return "act"
    if kind == "stall":
        mark = facts.proof("behind")
        return "act" if mark is not None and lacking(mark) > HALF else "look"
    if kind in {"friction", "brake-drag"}:
        usual = facts.ampere["expected"]
        return "act" if usual > 0 and abs(facts.ampere["drag"]) > HALF * usual else "look"
    if kind == "gap":
        return "look" if seconds >= LONG_GAP_S else "note"
    if kind == "unusual":
        return "look" if beyond >= PLAIN_SCORE else "note"
    return "look"
