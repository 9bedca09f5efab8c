"""What can look wrong, as numbers along time; each file is one subject.

A symptom is a statistic that is small in healthy sessions and grows with a
fault. Nothing is decided here: `tails` says how rare a value is, `checks`
turns what is rare enough into flags.
"""

from replay.models.symptoms.collect import Nominal, statistics

__all__ = ["Nominal", "statistics"]
