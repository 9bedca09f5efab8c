"""What a column's name says: a quantity, a unit, a joint, and how clearly.

Names are cut into words at case changes, digits and signs. Each word is
looked up; what nobody knows may be the joint's own name.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from replay.logs import scales

_WORDS: dict[str, dict[str, float]] = {
    "angle": {
        "angle": 0.95, "angles": 0.95, "ang": 0.9, "position": 0.9, "positions": 0.9, "pos": 0.9,
        "theta": 0.9, "q": 0.85, "posn": 0.85, "jpos": 0.85, "encoder": 0.7, "enc": 0.7,
        "resolver": 0.7, "rotation": 0.7, "a": 0.6, "th": 0.7, "phi": 0.7,
    },
    "rate": {
        "rate": 0.9, "rates": 0.9, "velocity": 0.95, "velocities": 0.95, "vel": 0.95,
        "speed": 0.95, "spd": 0.9, "omega": 0.9, "qd": 0.9, "dq": 0.9, "qdot": 0.9,
        "thetadot": 0.9, "dtheta": 0.9, "w": 0.7, "v": 0.6, "r": 0.5, "jvel": 0.9,
    },
    "current": {
        "current": 0.95, "currents": 0.95, "curr": 0.95, "cur": 0.85, "amps": 0.95, "amp": 0.85,
        "amperes": 0.9, "i": 0.75, "iq": 0.8, "im": 0.6, "mcur": 0.8, "icur": 0.85,
    },
    "temperature": {
        "temperature": 0.95, "temperatures": 0.95, "temp": 0.95, "temps": 0.95, "tmp": 0.7,
        "degc": 0.8, "t": 0.5, "therm": 0.7, "thermistor": 0.8,
    },
    "brake_state": {"brake": 0.9, "brk": 0.9, "brakes": 0.9, "bs": 0.6, "bk": 0.6},
    "brake_command": {"bc": 0.6},
    "payload": {"payload": 0.95, "mass": 0.7, "load": 0.5},
    "base_end": {"base": 0.85, "baseend": 0.95, "rootend": 0.7},
    "phase": {"phase": 0.9, "mode": 0.8, "process": 0.7, "activity": 0.8, "task": 0.7,
              "operation": 0.7, "step": 0.5, "machining": 0.6},
    "person_on_tip": {"person": 0.85, "manned": 0.8, "occupied": 0.7, "passenger": 0.6},
}  # fmt: skip

_COMMAND = frozenset(
    [
        "cmd",
        "command",
        "commanded",
        "target",
        "tgt",
        "desired",
        "des",
        "ref",
        "reference",
        "setpoint",
        "sp",
        "demand",
        "demanded",
        "ask",
        "asked",
        "goal",
        "rc",
        "request",
        "requested",
    ]
)
_MEASURED = frozenset(
    [
        "actual",
        "act",
        "measured",
        "meas",
        "feedback",
        "fb",
        "fdb",
        "motor",
        "mot",
        "sensed",
        "real",
        "mtr",
    ]
)
_NEUTRAL = frozenset(
    [
        "joint",
        "joints",
        "jnt",
        "jt",
        "j",
        "axis",
        "ax",
        "ch",
        "channel",
        "link",
        "unit",
        "m",
        "n",
        "no",
        "num",
        "number",
        "of",
        "the",
        "value",
        "val",
        "sig",
        "signal",
        "tlm",
        "state",
        "status",
        "end",
        "on",
        "tip",
        "in",
        "deg",
        "rad",
        "data",
        "robot",
        "arm",
        "dot",
        "dt",
    ]
)
_NOT_OURS = frozenset(
    [
        "torque",
        "tau",
        "force",
        "effort",
        "voltage",
        "volt",
        "volts",
        "power",
        "acc",
        "accel",
        "acceleration",
        "qdd",
        "ddq",
        "error",
        "err",
        "pwm",
        "bus",
        "dc",
        "tool",
        "gripper",
        "grip",
        "program",
        "sequence",
        "feedrate",
        "count",
        "counter",
        "index",
        "id",
        "limit",
        "max",
        "min",
        "mean",
        "std",
        "cart",
        "cartesian",
        "tcp",
        "inertia",
        "duty",
        "pressure",
        "flow",
        "lost",
        "stop",
        "protective",
        "cycle",
        "flag",
        "checksum",
        "crc",
        "raw",
        "output",
        "line",
    ]
)
_TIME = {
    "time": 0.9, "timestamp": 0.98, "stamp": 0.9, "datetime": 0.95, "date": 0.6, "utc": 0.8,
    "epoch": 0.9, "t": 0.7, "ts": 0.85, "clock": 0.7, "when": 0.9, "sec": 0.6, "secs": 0.6,
    "seconds": 0.7, "s": 0.4, "ms": 0.4, "gmt": 0.8, "elapsed": 0.7, "met": 0.6,
}  # fmt: skip
_JOINT_WORDS = frozenset(
    [
        "shoulder",
        "elbow",
        "wrist",
        "roll",
        "pitch",
        "yaw",
        "base",
        "waist",
        "upper",
        "lower",
        "fore",
        "forearm",
        "flange",
        "hip",
        "knee",
        "x",
        "y",
        "z",
        "s",
        "a",
        "b",
        "c",
        "sr",
        "sy",
        "sp",
        "ep",
        "wp",
        "wy",
        "wr",
    ]
)
_BRACKETS = re.compile(r"[\[(<{]\s*([^\])>}]*?)\s*[\])>}]\s*$")
_PIECES = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|\d+|°C?|%")


@dataclass(frozen=True, slots=True)
class Piece:
    """One word of a name and where it stands."""

    word: str
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Reading:
    """What a name was understood to say."""

    name: str
    quantity: str | None
    score: float
    unit: str | None
    numbers: tuple[Piece, ...]
    label: Piece | None
    measured: bool = False


def pieces(name: str) -> list[Piece]:
    """Cut a name into its words, in lower case.

    Examples
    --------
    >>> [p.word for p in pieces("X1_ActualPosition")]
    ['x', '1', 'actual', 'position']
    """
    return [Piece(m.group().lower(), m.start(), m.end()) for m in _PIECES.finditer(name)]


def time_score(name: str) -> float:
    """Tell how much a name sounds like the time column's."""
    words = [p.word for p in pieces(name) if not p.word.isdigit()]
    if any(w in _NOT_OURS for w in words):
        return 0.0
    known = [_TIME[w] for w in words if w in _TIME]
    return max(known) * (1.0 if len(known) == len(words) else 0.8) if known else 0.0


def read_name(name: str) -> Reading:
    """Understand a column's name as far as it goes."""
    unit, body = _unit(name)
    words = pieces(body)
    numbers = tuple(p for p in words if p.word.isdigit())
    rest = [p for p in words if not p.word.isdigit()]
    telling = [p for p in rest if p.word not in _NEUTRAL and p.word not in _MEASURED]
    foreign = sum(1 for p in rest if p.word in _NOT_OURS)
    commanded = any(p.word in _COMMAND for p in rest)
    best: tuple[float, str, Piece] | None = None
    for place, p in enumerate(rest):
        for quantity, known in _WORDS.items():
            score = known.get(p.word, 0.0)
            if score and len(p.word) == 1 and len(telling) > 1:
                score *= 0.6  # a lone letter among words is rarely the quantity
            if score and (best is None or score > best[0] + 0.02 * (place == 0)):
                best = (score, quantity, p)
    best = _by_unit(best, unit)
    if best is not None and best[1] == "angle" and any(p.word in ("dot", "dt") for p in rest):
        best = (0.9, "rate", best[2])
    label = _label(rest, best[2] if best else None, body)
    if best is None:
        return Reading(name, None, 0.0, unit, numbers, label)
    score, quantity, _ = best
    quantity, score = _commanded(quantity, score, commanded)
    if _measures(quantity) and unit is not None:
        fits = scales.SCALES[unit].measures == _measures(quantity)
        score = min(score + 0.25, 0.98) if fits else 0.3 * score
    score *= 0.45**foreign
    measured = any(p.word in _MEASURED for p in rest)
    return Reading(name, quantity, score, unit, numbers, label, measured)


def _commanded(quantity: str, score: float, commanded: bool) -> tuple[str, float]:
    if not commanded:
        return quantity, score
    if quantity == "rate":
        return "commanded_rate", score
    if quantity in ("brake_state", "brake_command"):
        return "brake_command", score
    return quantity, 0.3 * score  # a commanded angle or current is not one of ours


def _by_unit(
    best: tuple[float, str, Piece] | None, unit: str | None
) -> tuple[float, str, Piece] | None:
    """Let a unit speak where the word is too short to."""
    if unit is None:
        return best
    measures = scales.SCALES[unit].measures
    quantity = {"mass": "payload"}.get(measures, measures)
    if best is None:
        return (0.5, quantity, Piece("", 0, 0)) if measures != "mass" else None
    if best[0] < 0.75 and _measures(best[1]) not in ("", measures):
        return (0.6, quantity, best[2])
    if best[0] < 0.75 and best[1] == "rate" and measures == "rate":
        return (0.7, "rate", best[2])
    return best


def _measures(quantity: str) -> str:
    return {
        "angle": "angle",
        "rate": "rate",
        "commanded_rate": "rate",
        "current": "current",
        "temperature": "temperature",
        "payload": "mass",
    }.get(quantity, "")


def _unit(name: str) -> tuple[str | None, str]:
    """Take a unit off the end of a name: in brackets, or as last words."""
    found = _BRACKETS.search(name)
    if found:
        s = scales.find(found.group(1)) if found.group(1) else None
        if s is not None:
            return s.unit, name[: found.start()].rstrip()
        if found.group(1) and not found.group(1).isdigit():
            return None, name[: found.start()].rstrip() or name
    words = pieces(name)
    for count in (3, 2, 1):
        tail = words[-count:]
        if len(words) <= count or any(p.word.isdigit() for p in tail):
            continue
        for joiner in ("/", "_", ""):
            text = joiner.join(p.word for p in tail).replace("deg/c", "degC")
            s = scales.find(text)
            if s is None and text in ("deg/per/s", "rad/per/s"):
                s = scales.find(text.replace("/per", ""))
            if s is not None and _is_apart(name, tail[0]):
                return s.unit, name[: tail[0].start].rstrip(" _-./")
    return None, name


def _is_apart(name: str, first: Piece) -> bool:
    """Tell whether a last word is a unit: it stands apart, after a sign."""
    apart = first.start > 0 and name[first.start - 1] in "_ -./"
    return apart


def _label(rest: list[Piece], quantity: Piece | None, body: str) -> Piece | None:
    """Return the longest run of words that are nobody's: a joint's own name."""
    runs: list[list[Piece]] = []
    for p in rest:
        mine = p is not quantity and (
            p.word in _JOINT_WORDS
            or not (
                p.word in _COMMAND
                or p.word in _MEASURED
                or p.word in _NEUTRAL
                or p.word in _NOT_OURS
                or any(known.get(p.word, 0) >= 0.7 for known in _WORDS.values())
            )
        )
        if not mine:
            continue
        if runs and body[runs[-1][-1].end : p.start].strip("_ -.") == "":
            runs[-1].append(p)
        else:
            runs.append([p])
    if not runs:
        return None
    run = max(runs, key=lambda r: (any(p.word in _JOINT_WORDS for p in r), r[-1].end - r[0].start))
    return Piece(body[run[0].start : run[-1].end], run[0].start, run[-1].end)
