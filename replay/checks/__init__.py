"""Detectors' findings become events, and events become flags with evidence."""

from replay.checks.checking import CheckResult, check, flags
from replay.checks.discovery import discoveries

__all__ = ["CheckResult", "check", "discoveries", "flags"]
