"""Detectors' findings become events, and events become flags with evidence."""

from replay.checks.calibration import calibration
from replay.checks.checking import CheckResult, check, flags
from replay.checks.discovery import discoveries
from replay.checks.traces import score_trace

__all__ = ["CheckResult", "calibration", "check", "discoveries", "flags", "score_trace"]
