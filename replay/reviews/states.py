"""The states of a finding and of a session, and what leads from one to another.

All of it is here: what is not listed cannot be done. The rest of the room asks
`after` and writes only what it allows.
"""

from __future__ import annotations

from typing import Literal, get_args

from replay.errors import UsageError

FindingState = Literal["open", "judged", "disposed", "signed"]
FindingAct = Literal["judge", "dispose", "open", "sign", "reopen"]

FINDING: dict[tuple[str, str], FindingState] = {
    ("open", "judge"): "judged",
    ("open", "dispose"): "disposed",
    ("open", "open"): "open",
    ("judged", "judge"): "judged",
    ("judged", "dispose"): "disposed",
    ("judged", "open"): "open",
    ("disposed", "judge"): "judged",
    ("disposed", "dispose"): "disposed",
    ("disposed", "open"): "open",
    ("disposed", "sign"): "signed",
    ("signed", "reopen"): "disposed",
}
"""``judge``: a verdict. ``dispose``: a verdict with its reasons. ``open``: nobody's
word holds any more. ``sign``, ``reopen``: what is done to the session."""

SessionState = Literal["unchecked", "open", "half-signed", "signed"]
SessionAct = Literal["check", "judge", "sign", "sign-first", "sign-second", "reopen"]

SESSION: dict[tuple[str, str], SessionState] = {
    ("unchecked", "check"): "open",
    ("open", "check"): "open",
    ("open", "judge"): "open",
    ("open", "sign"): "signed",
    ("open", "sign-first"): "half-signed",
    ("half-signed", "check"): "half-signed",
    ("half-signed", "sign-second"): "signed",
    ("half-signed", "reopen"): "open",
    ("signed", "check"): "signed",
    ("signed", "reopen"): "open",
}
"""A check of a signed session shows what would differ; it changes nothing there."""

_TODO: dict[tuple[str, str], str] = {
    ("signed", "judge"): "reopen the session first; what was signed stays on record",
    ("half-signed", "judge"): "reopen the session first; the first signature stays on record",
    ("signed", "sign"): "it is signed already; reopen it to sign anew",
    ("signed", "sign-first"): "it is signed already; reopen it to sign anew",
    ("half-signed", "sign"): "it waits for a second reviewer",
    ("unchecked", "sign"): "check the session first",
    ("unchecked", "sign-first"): "check the session first",
    ("open", "sign"): "every finding needs a disposition first",
    ("open", "reopen"): "it is open already",
}


def finding_after(state: str, act: str) -> FindingState:
    """Return the state a finding is in after ``act``; UsageError if it cannot be done."""
    if (state, act) not in FINDING:
        raise UsageError(f"a {state} finding cannot be: {act}", todo=_TODO.get((state, act)))
    return FINDING[state, act]


def session_after(state: str, act: str) -> SessionState:
    """Return the state a session is in after ``act``; UsageError if it cannot be done."""
    if (state, act) not in SESSION:
        raise UsageError(
            f"a session that is {state} cannot do: {act}", todo=_TODO.get((state, act))
        )
    return SESSION[state, act]


FINDING_STATES: tuple[str, ...] = get_args(FindingState)
SESSION_STATES: tuple[str, ...] = get_args(SessionState)
