"""The indicators: their names, units, and which way is worse.

Names are plain words; with the unit they are the key of a history. An
indicator that counts use (`counts_use`) is summed over a unit's life and never
tested for a trend: a busy year is not wear.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Indicator:
    """What one number per unit and session stands for."""

    name: str
    unit: str
    worse: str
    """``up``, ``down`` or ``either``: the direction that wear takes."""
    about: str
    needs: str = ""
    """What a log must hold besides time, rate or angle, and current."""
    least: float = 0.0
    """Smallest change, in ``unit``, that can matter to anyone; a trend below
    it is steady however certain."""
    counts_use: bool = False
    leading: bool = False
    """Whether a decision rests on it; such indicators are tested first."""


INDICATORS: tuple[Indicator, ...] = (
    Indicator(
        "coulomb friction", "A", "up", "mean of both directions' Coulomb friction", leading=True
    ),
    Indicator("coulomb friction forward", "A", "up", "current that any forward motion costs"),
    Indicator("coulomb friction backward", "A", "up", "current that any backward motion costs"),
    Indicator(
        "viscous friction forward", "A s/deg", "up", "further current per rate, forward",
        "motions at several rates in one session",
    ),
    Indicator(
        "viscous friction backward", "A s/deg", "up", "further current per rate, backward",
        "motions at several rates in one session",
    ),
    Indicator(
        "friction at usual rate", "A", "up", "mean of both directions' friction at the usual rate",
        leading=True,
    ),
    Indicator(
        "breakaway forward", "A", "up", "greatest current just before forward motion",
        "starts from rest, at 6 samples a second or more",
    ),
    Indicator(
        "breakaway backward", "A", "up", "greatest current just before backward motion",
        "starts from rest, at 6 samples a second or more",
    ),
    Indicator(
        "direction asymmetry",
        "A",
        "either",
        "forward less backward friction at the usual rate; a change of it counts, not its size",
        least=0.02,
    ),
    Indicator("residual spread", "A", "up", "spread of the current that the fit leaves over"),
    Indicator(
        "ripple", "A", "up", "current at a gear's own order of the joint angle",
        "ripple orders in the arm file, angles, and motions as long as a cycle of the order",
    ),
    Indicator(
        "backlash at reversals", "deg", "up", "angle travelled before friction changes sign",
        "reversals without a rest, sampled finer than the play", least=0.005,
    ),
    Indicator(
        "brake release answer", "s", "up", "release command to the brake's own word",
        "brake commands and words", leading=True, least=0.01,
    ),
    Indicator(
        "brake engagement answer", "s", "up", "engage command to the brake's own word",
        "brake commands and words", leading=True, least=0.01,
    ),
    Indicator(
        "brake release delay", "s", "up",
        "release command to first motion; depends on the commanded motion too",
        "brake words, and motion asked for within 3 s of a release",
        leading=True, least=0.01,
    ),
    Indicator(
        "brake engagement delay", "s", "up", "engage word to first slowing",
        "brake words that engage a joint on the move, sampled finer than the delay",
        leading=True, least=0.01,
    ),
    Indicator(
        "stopping angle", "deg", "up", "angle from the engage word to standstill",
        "brake words that engage a joint on the move",
        leading=True, least=0.02,
    ),
    Indicator(
        "brake drag", "A", "up", "current above the fit just after release", "brake words",
        leading=True, least=0.03,
    ),
    Indicator(
        "brake holding slip", "deg", "up", "motion under an engaged brake",
        "brake words and angles", leading=True, least=0.02,
    ),
    Indicator("holding current", "A", "up", "current while released and still",
        "two holds of 1.5 s or more in a session", least=0.02),
    Indicator(
        "margin left", "%", "down",
        "current limit over the current that the margin rule calls for at the usual rate, less one",
        "the arm file's current limit", leading=True,
    ),
    Indicator("travel", "deg", "up", "angle travelled", counts_use=True),
    Indicator("hours moving", "h", "up", "time in motion", counts_use=True),
    Indicator("reversals", "1", "up", "changes of direction", counts_use=True),
    Indicator("starts", "1", "up", "motions begun", counts_use=True),
    Indicator("brake cycles", "1", "up", "releases of the brake", "brake words", counts_use=True),
    Indicator("work", "A2 s", "up", "integral of current squared", counts_use=True),
)  # fmt: skip

USE_AXES: dict[str, tuple[str, str, float]] = {
    "travel": ("travel", "1000 turns", 360_000.0),
    "brake-cycles": ("brake cycles", "1000 cycles", 1000.0),
    "work": ("work", "MA2 s", 1e6),
}
"""What a trend can be drawn against besides time: indicator, unit, scale."""

_BY_NAME = {i.name: i for i in INDICATORS}


FORMER_NAMES = {"remainder spread": "residual spread"}
"""What indicators were called before; limits and commands may still say so."""


def present_name(key: str) -> str:
    """Return an indicator's name of today; ``serial/indicator`` keeps its serial.

    >>> present_name("TU-1/remainder spread")
    'TU-1/residual spread'
    """
    serial, slash, name = key.rpartition("/")
    return f"{serial}{slash}{FORMER_NAMES.get(name, name)}"


def former_name(key: str) -> str:
    """Return what a key was before, itself where it did not change.

    >>> former_name("residual spread")
    'remainder spread'
    """
    serial, slash, name = key.rpartition("/")
    before = {new: old for old, new in FORMER_NAMES.items()}
    return f"{serial}{slash}{before.get(name, name)}"


def describe(name: str) -> Indicator:
    """Return what is known of an indicator.

    ``ripple at 40 per turn`` is found under ``ripple``. An unknown name gets
    a plain entry, so that a table from a newer program can still be read.
    """
    if name in _BY_NAME:
        return _BY_NAME[name]
    family = name.split(" at ")[0]
    if family in _BY_NAME:
        return _BY_NAME[family]
    return Indicator(name, "", "either", "")


def not_measured(present: Iterable[str]) -> list[tuple[str, str]]:
    """Return the indicators that are not among ``present``, each with what it needs."""
    there = {describe(name).name for name in present}
    return [(i.name, i.needs or "motion of the joint") for i in INDICATORS if i.name not in there]
