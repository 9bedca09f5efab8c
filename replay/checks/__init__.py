"""Residuals become findings, and findings become flags with a kind and evidence."""

from replay.checks.check import check, check_all
from replay.checks.compare import compare
from replay.checks.discovery import discoveries
<<<<<<< HEAD
from replay.checks.kept_word import calibration
from replay.checks.learning import learn
from replay.checks.stored import CheckResult, flags
=======
from replay.checks.stored import CheckResult, flags, lost_flags
>>>>>>> main
from replay.checks.traces import score_trace

__all__ = [
    "CheckResult",
    "calibration",
    "check",
    "check_all",
    "compare",
    "discoveries",
    "flags",
<<<<<<< HEAD
    "learn",
=======
    "lost_flags",
>>>>>>> main
    "score_trace",
]
