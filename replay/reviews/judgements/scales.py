"""The published scales a disposition is written in. The tool proposes nothing on them.

Severity, likelihood and risk: MIL-STD-882E (11 May 2012), Tables I to III. Class
and disposition of a nonconformance: ECSS-Q-ST-10-09C and its glossary; the
words of the dispositions were seen second-hand. A person chooses.
"""

from __future__ import annotations

RISK_SCALE = "MIL-STD-882E Table III"
CLASS_SCALE = "ECSS-Q-ST-10-09C"

SEVERITIES: dict[str, str] = {
    "I": "catastrophic",
    "II": "critical",
    "III": "marginal",
    "IV": "negligible",
}

LIKELIHOODS: dict[str, str] = {
    "A": "frequent",
    "B": "probable",
    "C": "occasional",
    "D": "remote",
    "E": "improbable",
}
"""Level F, eliminated, is a state of a hazard, not a band: nothing is assessed into it."""

_ROWS: dict[str, tuple[str, str, str, str]] = {
    "A": ("High", "High", "Serious", "Medium"),
    "B": ("High", "High", "Serious", "Medium"),
    "C": ("High", "Serious", "Medium", "Low"),
    "D": ("Serious", "Medium", "Medium", "Low"),
    "E": ("Medium", "Medium", "Medium", "Low"),
}

CLASSES: dict[str, str] = {
    "major": "may touch safety, a requirement, reliability, lifetime, interchangeability, an "
    "interface or an approved procedure; goes to the customer's review board",
    "minor": "every other nonconformance; goes to the supplier's review board",
    "none": "not a nonconformance: no requirement is departed from",
}

DECISIONS: dict[str, str] = {
    "use-as-is": "used as it is; leaves a departure, so a concession is recorded",
    "rework": "brought back to its requirement by the usual means",
    "repair": "made usable; leaves a departure, so a concession is recorded",
    "scrap": "not used again",
    "return-to-supplier": "goes back to whoever made it",
}
"""What follows for a nonconforming item, and what that leaves behind."""

LEAVES_A_DEPARTURE = frozenset({"use-as-is", "repair"})


def risk(severity: str, likelihood: str) -> str:
    """Return the risk of a severity category and a likelihood level (Table III).

    >>> risk("III", "D")
    'Medium'
    """
    return _ROWS[likelihood][list(SEVERITIES).index(severity)]
