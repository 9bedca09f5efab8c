"""Detectors' findings become events, and events become flags with evidence."""

from replay.checks.calibration import calibration
from replay.checks.checking import check, check_all
from replay.checks.discovery import discoveries
from replay.checks.stored import CheckResult, flags, lost_flags
from replay.checks.traces import score_trace

__all__ = [
    "CheckResult",
    "calibration",
    "check",
    "check_all",
    "discoveries",
    "flags",
    "lost_flags",
    "score_trace",
]
