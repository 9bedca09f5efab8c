"""Residuals become findings, and findings become flags with a kind and evidence."""

from replay.checks.check import check, check_all
from replay.checks.compare import compare
from replay.checks.discovery import discoveries
from replay.checks.kept_word import calibration
from replay.checks.learning import learn
from replay.checks.stored import CheckResult, flags, lost_flags
from replay.checks.traces import score_trace

__all__ = [
    "CheckResult",
    "calibration",
    "check",
    "check_all",
    "compare",
    "discoveries",
    "flags",
    "learn",
    "lost_flags",
    "score_trace",
]
