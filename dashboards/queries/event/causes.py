"""What speaks against each cause, from the figures that are kept with a flag."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

from replay.wording import counted, kind_words


def number(read: Mapping[str, Any], name: str) -> float | None:
    """Return a figure of the evidence; None where it is missing or no number."""
    value = read.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return float(value)


def amperes(value: float) -> str:
    """Return a difference of currents with its sign."""
    rounded = round(value, 2) + 0.0  # no minus before a zero
    return f"{rounded:+.2f} A"


def _not_friction(read: Mapping[str, Any]) -> str:
    forward, backward = number(read, "forward_a"), number(read, "backward_a")
    if forward is None or backward is None:
        return "friction needs motion in both directions to be told, and shows in every motion"
    said = f"{amperes(forward)} forward, {amperes(backward)} backward"
    if forward * backward >= 0:
        return f"friction turns its sign with the direction; here {said}"
    drag = max(abs(forward), abs(backward))
    around = [
        f"{amperes(value)} in the release {word}"
        for name, word in (("before_release_a", "before"), ("after_release_a", "after"))
        if (value := number(read, name)) is not None and abs(value) < drag / 2
    ]
    if around:
        return (
            f"it turns with the direction as friction does ({said}), but friction does not "
            f"come and go with a brake: {' and '.join(around)}"
        )
    return f"it turns with the direction as friction does ({said}): friction stays possible"


def _not_drag(read: Mapping[str, Any]) -> str:
    before, after = number(read, "before_release_a"), number(read, "after_release_a")
    said = [
        f"{amperes(value)} in the release {word}"
        for value, word in ((before, "before"), (after, "after"))
        if value is not None
    ]
    if said:
        return f"a brake's drag stays within one release; there is {' and '.join(said)}"
    return "a brake's drag begins with a release and ends with the next engagement"


def _not_sensor(read: Mapping[str, Any]) -> str:
    rest = number(read, "held_a")
    rest = number(read, "resting_a") if rest is None else rest
    forward, backward = number(read, "forward_a"), number(read, "backward_a")
    said = []
    if forward is not None and backward is not None and forward * backward < 0:
        said.append(
            "a sensor's offset keeps its sign in both directions; here "
            f"{amperes(forward)} forward, {amperes(backward)} backward"
        )
    if rest is not None:
        said.append(f"an offset shows at rest too; there it is {amperes(rest)}")
    return "; ".join(said) or "a sensor's offset does not turn its sign with the direction"


def _not_stall(read: Mapping[str, Any]) -> str:
    short = number(read, "behind_command")
    if short is not None:
        return f"a stalled joint lags its command; here {100 * short:.0f} % is missing"
    return "a stalled joint does not follow its command"


def _not_angle(read: Mapping[str, Any]) -> str:
    off = number(read, "astray_deg")
    if off is not None:
        return f"angle and rate agree to {abs(off):.2f} deg"
    return "angle and rate agree"


AGAINST: dict[str, Callable[[Mapping[str, Any]], str]] = {
    "friction": _not_friction,
    "brake-drag": _not_drag,
    "current-sensor": _not_sensor,
    "stall": _not_stall,
    "angle-sensor": _not_angle,
    "load": lambda read: "a load follows the posture, whatever the direction",
    "stick-slip": lambda read: (
        "stick-slip stops and starts; counted " + (f"{number(read, 'stops_and_starts') or 0:.0f}")
    ),
    "brake-slip": lambda read: "nothing moved under an engaged brake",
    "late-release": lambda read: "no release falls into it",
    "gap": lambda read: "the samples are there",
    "unusual": lambda read: "taken only where no known cause explains enough",
}
"""For each cause: why it fits less, in words, given the evidence."""

OUT_BY: dict[str, tuple[str, ...]] = {
    "friction": ("forward_a", "backward_a"),
    "current-sensor": ("resting_a",),
    "stall": ("behind_command",),
    "angle-sensor": ("astray_deg",),
}
"""Causes that a figure of the evidence speaks on, and the figures: without them nothing is said."""


def weights_of(read: Mapping[str, Any]) -> dict[str, float]:
    """Return what each cause that kept anything explains, in nats."""
    kinds = read.get("kinds")
    if not isinstance(kinds, Mapping):
        return {}
    return {k: float(v) for k, v in kinds.items() if isinstance(v, int | float)}


def left_out(read: Mapping[str, Any], kind: str, listed: frozenset[str] = frozenset()) -> str:
    """Return which causes were weighed and have no line of their own, in one line.

    Every known cause is weighed, and one rule says which have a line (``listed``): those that
    explain enough beside the named one. All others are here, whether they kept a little
    (`replay.checks.kind`: what is worth more than its price) or nothing.
    """
    if read.get("lead") is False:
        return "The causes were weighed once for the whole finding: see the flag that leads it."
    if not weights_of(read):
        return ""
    none = [k for k in AGAINST if k not in listed and k not in (kind, "unusual")]
    if not none:
        return ""
    said = [
        f"{kind_words(k)}: {AGAINST[k](read)}"
        for k in none
        if k in OUT_BY and all(number(read, name) is not None for name in OUT_BY[k])
    ]
    measured = f" {'. '.join(s[0].upper() + s[1:] for s in said)}." if said else ""
    count = counted(len(none), "other cause was", "other causes were")
    said_of = f"{count} weighed and explain{'s' if len(none) == 1 else ''} too little of it"
    return f"{said_of}: {', '.join(map(kind_words, none))}.{measured}"
