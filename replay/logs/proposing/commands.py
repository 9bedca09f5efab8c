"""Commanded is told from measured, by names and by the samples' own marks."""

from __future__ import annotations

from collections.abc import Mapping, MutableMapping, Sequence

import polars as pl

from replay.logs.proposing.groups import Group, columns_of
from replay.logs.proposing.guesses import Floats, Guess
from replay.logs.proposing.marks import command_first, leading_switch, marks_of

_PAIRS = {
    "angle": "commanded_angle",
    "rate": "commanded_rate",
    "current": "target_current",
    "brake_state": "brake_command",
}
_NEAR_SCORE = 0.12


def sort_out_commands(
    chosen: MutableMapping[str, Group],
    groups: Sequence[Group],
    keys: Sequence[str],
    values: Mapping[str, Floats],
    table: Mapping[str, pl.Series],
) -> dict[str, Guess]:
    """Put commands and measurements under their own quantities; return what stays in doubt.

    Two sets of columns may read alike (``pos_a1``, ``pos_b1``), and a name may
    say measured of what has a command's marks: both are looked at here.
    """
    doubts: dict[str, Guess] = {}
    for measured, commanded in _PAIRS.items():
        mine = chosen.get(measured)
        if mine is None:
            continue
        rival = None if commanded in chosen else _rival(mine, groups, keys)
        if rival is not None:
            pair = [list(columns_of(g, groups, keys).values()) for g in (mine, rival)]
            doubts |= _between(chosen, (mine, rival), pair, measured, values, table)
        elif commanded in chosen and measured != "brake_state":
            one, two = (
                [values[c] for c in columns_of(g, groups, keys).values()]
                for g in (mine, chosen[commanded])
            )
            a, b = marks_of(one), marks_of(two)
            if a.noise < 0.2 * b.noise and a.still > b.still + 0.1:
                why = "by its samples the one named as measured is the command: no noise, still"
                doubts[measured] = doubts[commanded] = Guess("", 0.4, why)
    return doubts


def _rival(mine: Group, groups: Sequence[Group], keys: Sequence[str]) -> Group | None:
    """Return another set of columns whose names say the same as clearly."""
    wanted = set(keys)
    others = [
        g
        for g in groups
        if g.quantity == mine.quantity
        and g.pattern != mine.pattern
        and g.by_number == mine.by_number
        and wanted <= set(g.members)
        and not set(g.members.values()) & set(mine.members.values())
        and g.score > mine.score - _NEAR_SCORE
        and g.measured == mine.measured
    ]
    return max(others, key=lambda g: g.score) if others else None


def _between(
    chosen: MutableMapping[str, Group],
    pair: tuple[Group, Group],
    names: Sequence[Sequence[str]],
    measured: str,
    values: Mapping[str, Floats],
    table: Mapping[str, pl.Series],
) -> dict[str, Guess]:
    commanded = _PAIRS[measured]
    if measured == "brake_state":
        first = leading_switch(*([table[c] for c in n] for n in names))
        told = None if first is None else (first, "it changes first")
    else:
        told = command_first(*([values[c] for c in n] for n in names))
    if told is None:
        why = f"{names[1][0]!r} and its like say the same: which of the two was measured?"
        return {measured: Guess("", 0.5, why)}
    place, why = told
    command, other = pair if place == 0 else (pair[1], pair[0])
    chosen[measured] = other
    chosen[commanded] = _as(command, commanded)
    return {
        measured: Guess("", 0.7, f"beside {names[place][0]!r}, which is the command: {why}"),
        commanded: Guess("", 0.7, f"by its samples: {why}"),
    }


def _as(group: Group, quantity: str) -> Group:
    made = Group(quantity, group.pattern, group.by_number)
    made.members, made.scores, made.units = group.members, group.scores, group.units
    return made
