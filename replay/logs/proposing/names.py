"""What a column's name says: a quantity, a unit, a joint, and how clearly.

Names are cut into words at case changes, digits and signs. Each word is
looked up; what nobody knows may be the joint's own name.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from replay.logs import scales
from replay.logs.proposing.name_pieces import Piece, pieces
from replay.logs.proposing.vocabulary import (
    COMMAND_WORDS,
    JOINT_WORDS,
    LINKING_WORDS,
    MEASURED_WORDS,
    NEUTRAL_WORDS,
    NOT_OURS_WORDS,
    QUANTITY_WORDS,
    TIME_WORDS,
)

_BRACKETS = re.compile(r"[\[(<{]\s*([^\])>}]*?)\s*[\])>}]\s*$")
_INDEX = re.compile(r"[\s._\[(]+\d+[\])]?\s*$")
"""A place in a list behind a name: ``angles_rad.0``, ``currents_A[3]``."""


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


def time_score(name: str) -> float:
    """Tell how much a name sounds like the time column's."""
    words = [p.word for p in pieces(name) if not p.word.isdigit()]
    words = [w for w in words if w not in LINKING_WORDS]
    if any(w in NOT_OURS_WORDS for w in words):
        return 0.0
    known = [TIME_WORDS[w] for w in words if w in TIME_WORDS]
    return max(known) * (1.0 if len(known) == len(words) else 0.8) if known else 0.0


def read_name(name: str) -> Reading:
    """Understand a column's name as far as it goes."""
    unit, body = _unit(name)
    if unit is None:
        unit, body = _unit_before_index(name, body)
    words = pieces(body)
    numbers = tuple(p for p in words if p.word.isdigit())
    rest = [p for p in words if not p.word.isdigit()]
    telling = [p for p in rest if p.word not in NEUTRAL_WORDS | MEASURED_WORDS | COMMAND_WORDS]
    foreign = sum(1 for p in rest if p.word in NOT_OURS_WORDS)
    commanded = any(p.word in COMMAND_WORDS for p in rest)
    best: tuple[float, str, Piece] | None = None
    for place, p in enumerate(rest):
        for quantity, known in QUANTITY_WORDS.items():
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
    if any(p.word in ("motor", "mot", "mtr", "motors", "moteur", "motore") for p in rest):
        quantity, score = _of_the_motor(quantity, score)
    if _measures(quantity) and unit is not None:
        fits = scales.SCALES[unit].measures == _measures(quantity)
        score = min(score + 0.25, 0.98) if fits else 0.3 * score
    score *= 0.45**foreign
    measured = any(p.word in MEASURED_WORDS for p in rest)
    return Reading(name, quantity, score, unit, numbers, label, measured)


def _commanded(quantity: str, score: float, commanded: bool) -> tuple[str, float]:
    if not commanded:
        return quantity, score
    if quantity in ("rate", "angle", "torque"):
        return f"commanded_{quantity}", score
    if quantity == "current":
        return "target_current", score
    if quantity in ("brake_state", "brake_command"):
        return "brake_command", score
    return quantity, 0.3 * score


def _of_the_motor(quantity: str, score: float) -> tuple[str, float]:
    """Tell the motor's side of the gear from the joint's: its angle and rate are others."""
    if quantity == "angle":
        return "motor_angle", score
    return quantity, (0.6 * score if quantity in ("rate", "commanded_rate") else score)


def _by_unit(
    best: tuple[float, str, Piece] | None, unit: str | None
) -> tuple[float, str, Piece] | None:
    """Let a unit speak where the word is too short to."""
    if unit is None:
        return best
    measures = scales.SCALES[unit].measures
    quantity = {"mass": "payload"}.get(measures, measures)
    if best is None:
        return (0.5, quantity, Piece("", 0, 0)) if measures not in ("mass",) else None
    if best[0] < 0.75 and _measures(best[1]) not in ("", measures):
        return (0.6, quantity, best[2])
    if best[0] < 0.75 and best[1] == "rate" and measures == "rate":
        return (0.7, "rate", best[2])
    return best


def _measures(quantity: str) -> str:
    return {
        "angle": "angle",
        "commanded_angle": "angle",
        "motor_angle": "angle",
        "rate": "rate",
        "commanded_rate": "rate",
        "current": "current",
        "target_current": "current",
        "torque": "torque",
        "commanded_torque": "torque",
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


def _unit_before_index(name: str, body: str) -> tuple[str | None, str]:
    """Take a unit from before a list's place, where the rest of the name measures the same."""
    index = _INDEX.search(name)
    if index is None:
        return None, body
    stem = name[: index.start()]
    unit, rest = _unit(stem)
    if unit is None:
        return None, body
    measures = scales.SCALES[unit].measures
    said = {q for p in pieces(rest) for q, known in QUANTITY_WORDS.items() if p.word in known}
    if measures not in {_measures(q) for q in said}:
        return None, body
    return unit, rest + " " * (len(stem) - len(rest)) + name[index.start() :]


def _is_apart(name: str, first: Piece) -> bool:
    """Tell whether a last word is a unit: it stands apart, after a sign."""
    apart = first.start > 0 and name[first.start - 1] in "_ -./"
    return apart


def _label(rest: list[Piece], quantity: Piece | None, body: str) -> Piece | None:
    """Return the longest run of words that are nobody's: a joint's own name."""
    runs: list[list[Piece]] = []
    for p in rest:
        mine = p is not quantity and (
            p.word in JOINT_WORDS
            or not (
                p.word in COMMAND_WORDS
                or p.word in MEASURED_WORDS
                or p.word in NEUTRAL_WORDS
                or p.word in NOT_OURS_WORDS
                or any(known.get(p.word, 0) >= 0.7 for known in QUANTITY_WORDS.values())
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
    run = max(runs, key=lambda r: (any(p.word in JOINT_WORDS for p in r), r[-1].end - r[0].start))
    return Piece(body[run[0].start : run[-1].end], run[0].start, run[-1].end)
