"""Joints that their names keep out of a group: ``base`` and ``wrist1`` beside ``elbow``.

A joint's name may be a word that says something else as well, or end in a
number as only some of its neighbours do. Where the same name fills the place
of the joint in every needed quantity, it is a joint too.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace

from replay.logs.proposing.groups import Group
from replay.logs.proposing.name_pieces import pieces
from replay.logs.proposing.proposal import Line
from replay.logs.proposing.vocabulary import (
    COMMAND_WORDS,
    JOINT_WORDS,
    MEASURED_WORDS,
    NEUTRAL_WORDS,
    NOT_OURS_WORDS,
    QUANTITY_WORDS,
)

_NEEDED = ("angle", "rate", "current")
_PLACE = re.compile(r"(?<![^\W\d_])([^\W\d_]+)[ _-]?\{n\}|\{name\}")
"""Where a pattern has the joint: its name, or the word before its number."""
_NAME = r"([^\W_]+(?:[ _-][^\W_]+)?)"
_MEANINGS = frozenset(w for known in QUANTITY_WORDS.values() for w in known)
_OTHERS = (
    COMMAND_WORDS | MEASURED_WORDS | NEUTRAL_WORDS | NOT_OURS_WORDS | _MEANINGS
) - JOINT_WORDS


def widen(chosen: Mapping[str, Group], names: Sequence[str]) -> tuple[dict[str, Group], list[str]]:
    """Return groups with the joints that were kept out, and those joints' names.

    Parameters
    ----------
    chosen : mapping
        Quantity to group.
    names : sequence of str
        All columns that hold something, in the log's order.

    Returns
    -------
    wider : dict
        Quantity to group, by name; as it was where no joint is added.
    added : list of str
        Names of the joints added, in the log's order.
    """
    found = {q: _fillers(g, names) for q, g in chosen.items()}
    needed_of = [q for q in _NEEDED if q in found]
    needed = [found[q] for q in needed_of]
    if len(needed) < 2 or not all(needed):
        return dict(chosen), []
    common = [k for k in needed[0] if all(k in others for others in needed[1:])]
    old = {c for q in needed_of for c in chosen[q].members.values()}
    added = [k for k in common if needed[0][k] not in old]
    inside = [k for k in common if needed[0][k] in old]
    whole = all(set(chosen[q].members.values()) <= set(found[q].values()) for q in needed_of)
    if not added or len(inside) < 2 or not whole:
        return dict(chosen), []
    first = found[needed_of[0]]
    key_of = {column: k.lower() for k, column in first.items()}
    renamed = {k: key_of[column] for k, column in chosen[needed_of[0]].members.items()}
    wider = {}
    for q, g in chosen.items():
        members = {k.lower(): found[q][k] for k in common if k in found[q]}
        if members:
            pattern = _PLACE.sub("{name}", g.pattern, count=1)
        else:  # named in a way of its own: it keeps its columns under the new names
            pattern = g.pattern
            members = {renamed[k]: column for k, column in g.members.items() if k in renamed}
        wider[q] = replace(g, pattern=pattern, by_number=False, members=members)
    return wider, added


def joints_of(wider: Mapping[str, Group]) -> list[str]:
    """Return the joints that every needed quantity has, as the columns come."""
    needed = [wider[q].members for q in _NEEDED if q in wider]
    return [k for k in needed[0] if all(k in members for members in needed)]


def doubted(line: Line, added: Sequence[str]) -> Line:
    """Return the line that names the joints, a question where an added name is no known joint's."""
    strange = [a for a in added if not any(p.word in JOINT_WORDS for p in pieces(a))]
    if not strange:
        return line
    why = f"{', '.join(strange[:5])}: columns as of a joint; is it one?"
    return replace(line, confidence=min(line.confidence, 0.4), why=why)


def _fillers(g: Group, names: Sequence[str]) -> dict[str, str]:
    """Return what may stand in the place of the joint, with its column; nothing if all may."""
    place = _PLACE.search(g.pattern)
    if place is None or len(place.group()) == len(g.pattern):
        return {}
    if place.group(1) is not None and place.group(1).lower() not in JOINT_WORDS - NEUTRAL_WORDS:
        return {}
    before, after = g.pattern[: place.start()], g.pattern[place.end() :]
    shape = re.compile(re.escape(before) + _NAME + re.escape(after))
    filled = {}
    for name in names:
        hit = shape.fullmatch(name)
        if hit and not {p.word for p in pieces(hit.group(1))} & _OTHERS:
            filled[hit.group(1)] = name
    return filled
