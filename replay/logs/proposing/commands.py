"""Commanded is told from measured, by names and by the samples' own marks."""

from __future__ import annotations

from collections.abc import Mapping, MutableMapping, Sequence
from dataclasses import replace

import numpy as np
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
_LEAST_SCORE = 0.3
"""Below this a name says too little for samples to be asked."""
_ALIKE = 0.97
"""So closely correlated are a command and what follows it, joint by joint."""


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
        elif commanded not in chosen and measured in ("angle", "rate"):
            doubts |= _unnamed(chosen, mine, measured, groups, keys, values)
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


def _unnamed(
    chosen: MutableMapping[str, Group],
    mine: Group,
    measured: str,
    groups: Sequence[Group],
    keys: Sequence[str],
    values: Mapping[str, Floats],
) -> dict[str, Guess]:
    """Find the command among columns whose names hardly say so: the samples follow it."""
    taken = {c for g in chosen.values() for c in g.members.values()}
    own = [values[c] for c in columns_of(mine, groups, keys).values()]
    for g in sorted(groups, key=lambda g: -g.score):
        if (
            g.quantity != measured
            or g.by_number != mine.by_number
            or not _LEAST_SCORE <= g.score <= mine.score - _NEAR_SCORE
            or not set(keys) <= set(g.members)
            or set(g.members.values()) & taken
        ):
            continue
        theirs = [values[g.members[k]] for k in keys]
        told = command_first(own, theirs)
        if told is not None and told[0] == 1 and _follow(own, theirs):
            commanded = _PAIRS[measured]
            chosen[commanded] = _as(g, commanded)
            why = f"its name hardly says so; the measured one follows it, and {told[1]}"
            return {commanded: Guess("", 0.65, why)}
    return {}


def _follow(one: Sequence[Floats], other: Sequence[Floats]) -> bool:
    """Tell whether two quantities are of one size and move together in every joint."""
    for a, b in zip(one, other, strict=True):
        use = np.isfinite(a) & np.isfinite(b)
        if use.sum() < 50:
            return False
        x, y = a[use], b[use]
        spread = float(x.std()), float(y.std())
        if min(spread) <= 0.0 or not 0.8 < spread[0] / spread[1] < 1.25:
            return False
        if float(np.corrcoef(x, y)[0, 1]) < _ALIKE or abs(float(np.mean(x - y))) > spread[0]:
            return False
    return True


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
    return replace(group, quantity=quantity, measured=False)
