"""What people concluded: verdicts on flags and notes pinned to the time axis."""

from replay.reviews.pins import Pin, add_pin, pin_history, pins, withdraw_pin
from replay.reviews.verdicts import (
    OPEN,
    VERDICTS,
    Verdict,
    give_verdict,
    orphaned_verdicts,
    reviewed_flags,
    verdict_history,
    verdicts,
)

__all__ = [
    "OPEN",
    "VERDICTS",
    "Pin",
    "Verdict",
    "add_pin",
    "give_verdict",
    "orphaned_verdicts",
    "pin_history",
    "pins",
    "reviewed_flags",
    "verdict_history",
    "verdicts",
    "withdraw_pin",
]
