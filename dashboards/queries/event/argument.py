"""The short argument for a flag: expected, seen, by how much, and what else was weighed.

This is the one door through which the event page reads the evidence that is
kept with a flag. `READ` lists every name it knows; a name that is missing
leaves its part of the argument out, an unknown one is not shown here.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from dashboards.queries.event.causes import amperes, left_out, number
from dashboards.queries.event.following import following
from dashboards.queries.event.odds import Cause, weighed
from replay.archive import Archive
from replay.wording import in_a_row

READ: dict[str, str] = {
    "expected_a": "usual current of the motion, A",
    "drag_a": "mean residual against the motion, A",
    "forward_a": "mean residual forward, A",
    "backward_a": "mean residual backward, A",
    "resting_a": "residual at rest, A",
    "held_a": "residual with the brake engaged, A",
    "peak_a": "largest residual, smoothed, A",
    "push_a": "mean residual in the commanded direction, A",
    "before_release_a": "drag in the release before, A",
    "after_release_a": "drag in the release after, A",
    "speed_deg_s": "median speed, deg/s",
    "temperature_c": "temperature, °C",
    "payload_kg": "payload as logged, kg",
    "measured": "what a physical finding measured, in its own unit",
    "behind_command": "share of the travel due that is missing",
    "stops_and_starts": "stops and starts that nobody commanded",
    "astray_deg": "angle beyond what the rate adds up to, deg",
    "step_deg": "step of the angle between two samples, deg",
    "level_deg": "angle at which the reading stood still, deg",
    "expected_travel_deg": "travel that was due meanwhile, deg",
    "duration_s": "length, s",
    "kinds": "weight of each cause",
    "lead": "whether this flag speaks for its finding",
    "detector": "the rarest detector of the flag",
    "detector_value": "what it showed, spreads",
    "size": "size of the best-fitting form",
    "size_unit": "its unit",
    "repeats_too": "whether rate and current stood still with the angle",
    "usual_s": "usual delay of this unit's brake, s",
    "channel": "the channel that was lost",
    "channels": "all channels that were lost",
    "told_on_change": "words of the brake whose loss cannot be told, for they come on change",
}
"""Names of the evidence that the argument reads, and what they hold."""

LITTLE_A = 0.05
"""A current that differs by less is not said to push."""


ALIKE = 0.5
"""Differences from what is seen at rest, as a share of it, within which motion shows the same."""


@dataclass(frozen=True, slots=True)
class Argument:
    """What decides on a flag. ``weighed`` holds the other causes, best first.

    ``out`` says of the remaining ones that they were weighed, and what is out.
    """

    expected: str
    seen: str
    by: str
    weighed: tuple[Cause, ...]
    out: str = ""


def argument(archive: Archive, session: str, flag: str | None, kind: str) -> Argument:
    """Return the argument that a flag's kept evidence gives."""
    return of_evidence(kept_figures(archive, session, flag), kind)


def kept_figures(archive: Archive, session: str, flag: str | None) -> dict[str, Any]:
    """Return the evidence kept with a flag as it is kept; nothing where there is none."""
    import polars as pl

    rows = archive.table("flags")
    if flag is None or not rows.height:
        return {}
    mine = rows.filter((pl.col("session") == session) & (pl.col("flag") == flag))
    try:
        found = json.loads(mine["evidence"][0] or "{}") if mine.height else {}
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def of_evidence(found: Mapping[str, Any], kind: str) -> Argument:
    """Return the argument of a flag's evidence.

    >>> said = of_evidence({"expected_a": 1.5, "drag_a": 0.6, "kinds": {"friction": 1}}, "friction")
    >>> said.expected, said.by
    ('1.50 A for this motion', '+0.60 A, 40 % more')
    """
    read = {name: found.get(name) for name in READ}
    of_kind = following if read["lead"] is False else _SAID.get(kind, _current)
    expected, seen, by = of_kind(read)
    if by and by in seen:
        by = ""  # said already
    rows = weighed(read, kind)
    out = left_out(read, kind, frozenset(c.kind for c in rows))
    return Argument(expected, seen, by, rows, out)


def _conditions(read: Mapping[str, Any]) -> str:
    speed, heat = number(read, "speed_deg_s"), number(read, "temperature_c")
    parts = [
        f" at {speed:.2f} deg/s" if speed is not None else "",
        f", {heat:.0f} °C" if heat is not None else "",
    ]
    return "".join(parts)


Said = tuple[str, str, str]


def _current(read: Mapping[str, Any]) -> Said:
    usual = number(read, "expected_a")
    expected = "" if usual is None else f"{usual:.2f} A for this motion{_conditions(read)}"
    drag, peak = number(read, "drag_a"), number(read, "peak_a")
    forward, backward = number(read, "forward_a"), number(read, "backward_a")
    seen = []
    if forward is not None:
        seen.append(f"{amperes(forward)} forward")
    if backward is not None:
        seen.append(f"{amperes(backward)} backward")
    if peak is not None:
        seen.append(f"{amperes(peak)} where it was largest")
    text = "beyond it, " + ", ".join(seen) if seen else ""
    if drag is None:
        return expected, text, "" if peak is None else f"up to {abs(peak):.2f} A"
    share = ""
    if usual:
        share = f", {abs(100 * drag / usual):.0f} % {'more' if drag > 0 else 'less'}"
    return expected, text, f"{amperes(drag)}{share}"


def _sensor(read: Mapping[str, Any]) -> Said:
    expected, seen, by = _current(read)
    rest = number(read, "held_a")
    rest = number(read, "resting_a") if rest is None else rest
    if rest is not None:
        seen += f"{', ' if seen else ''}{amperes(rest)} where the motor does nothing"
    size = number(read, "size")
    if size is not None and read.get("size_unit") == "share":
        return expected, seen, f"{100 * size:+.0f} %, in proportion to the expected current"
    if rest is None:
        return expected, seen, by
    moving = [v for n in ("forward_a", "backward_a") if (v := number(read, n)) is not None]
    alike = moving and all(abs(v - rest) <= ALIKE * abs(rest) for v in moving)
    return expected, seen, f"{amperes(rest)}{', much alike in all states' if alike else ' at rest'}"


def _slip(read: Mapping[str, Any]) -> Said:
    size, long = number(read, "measured"), number(read, "duration_s")
    seen = "" if size is None else f"the angle moved by {abs(size):.2f} deg and stays there"
    if seen and long is not None:
        seen += f", within {long:.1f} s"
    by = "" if size is None else f"{abs(size):.2f} deg"
    return "no motion while the brake is engaged, beyond noise and flexing", seen, by


def _release(read: Mapping[str, Any]) -> Said:
    size, usual = number(read, "measured"), number(read, "usual_s")
    seen = "" if size is None else f"released {size:.2f} s after the command"
    expected = "a release as this unit's brake usually does it"
    by = "" if size is None else f"{size:.2f} s"
    if usual is not None:
        expected = f"released {usual:.2f} s after the command, as this unit's brake usually is"
        by = "" if size is None else f"{size - usual:.2f} s later than usual"
    return expected, seen, by


def _stall(read: Mapping[str, Any]) -> Said:
    short, push = number(read, "behind_command"), number(read, "push_a")
    seen = "" if short is None else f"{100 * short:.0f} % of the travel that was due is missing"
    if push is not None:
        how = "draws no more than expected"
        if abs(push) >= LITTLE_A:
            way = "harder" if push > 0 else "less hard"
            how = f"pushes {abs(push):.2f} A {way} than expected, the way it was told"
        seen += f"{', ' if seen else ''}while the motor {how}"
    return "the joint follows its command", seen, "" if short is None else f"{100 * short:.0f} %"


def _stick(read: Mapping[str, Any]) -> Said:
    stops = number(read, "stops_and_starts")
    seen = "" if stops is None else f"about {stops:.0f} stops and starts that nobody commanded"
    return f"an even motion{_conditions(read)}", seen, "" if stops is None else f"{stops:.0f} stops"


def _angle(read: Mapping[str, Any]) -> Said:
    off, step = number(read, "astray_deg"), number(read, "step_deg")
    level, due = number(read, "level_deg"), number(read, "expected_travel_deg")
    if step is not None:
        seen = f"it steps by {step:+.3g} deg from one sample to the next"
        return "the angle moves no further between two samples than the joint can", seen, ""
    if level is not None and due is not None:
        seen = f"it stands at {level:.3f} deg while {abs(due):.2f} deg of motion was due"
        if read.get("repeats_too"):
            seen += ", and its other readings repeat with it"
        return "the angle moves when the rate does", seen, ""
    seen = "" if off is None else f"the angle is {off:+.2f} deg off what the rate adds up to"
    return "angle and rate agree", seen, "" if off is None else f"{abs(off):.2f} deg"


def _gap(read: Mapping[str, Any]) -> Said:
    long = number(read, "measured")
    lost = read.get("channels") or ([read["channel"]] if read.get("channel") else [])
    what = (
        f"no sample of {in_a_row(lost, 'or')}" if isinstance(lost, list) and lost else "nothing new"
    )
    seen = "" if long is None else f"{what} for {long:.1f} s"
    if seen and (unsure := read.get("told_on_change")):
        seen += f"; {in_a_row(unsure)}, told on change: not known meanwhile"
    return "samples at the log's own rate", seen, "" if long is None else f"{long:.1f} s"


_SAID: dict[str, Callable[[Mapping[str, Any]], Said]] = {
    "brake-slip": _slip,
    "late-release": _release,
    "stall": _stall,
    "stick-slip": _stick,
    "angle-sensor": _angle,
    "current-sensor": _sensor,
    "gap": _gap,
}
