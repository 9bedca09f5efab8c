"""Columns of one quantity that differ in the joint alone belong together."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from replay.logs.maps import JOINT_KEYS
from replay.logs.proposing.names import Reading


@dataclass(frozen=True, slots=True)
class Group:
    """Columns of one quantity: joint key to column, made by one pattern."""

    quantity: str
    pattern: str
    by_number: bool
    members: Mapping[str, str]
    scores: tuple[float, ...]
    units: frozenset[str] = frozenset()
    measured: bool = False

    @classmethod
    def of(
        cls, quantity: str, pattern: str, by_number: bool, readings: Mapping[str, Reading]
    ) -> Group:
        """Return the columns of these joints, as their names were read."""
        return cls(
            quantity,
            pattern,
            by_number,
            {key: r.name for key, r in readings.items()},
            tuple(r.score for r in readings.values()),
            frozenset(r.unit for r in readings.values() if r.unit is not None),
            any(r.measured for r in readings.values()),
        )

    @property
    def score(self) -> float:
        """Mean clearness of the members' names."""
        return sum(self.scores) / len(self.scores)

    def worth(self, keys: Iterable[str] = ()) -> float:
        """Return what speaks for this group beside others of its quantity."""
        wanted = set(keys)
        cover = len(wanted & set(self.members)) / len(wanted) if wanted else 0.0
        return (
            self.score
            + 0.04 * min(len(self.members), 8)
            + 0.05 * self.measured
            + 0.6 * cover
            + (0.02 if self.by_number else 0.0)
        )


def group(readings: Sequence[Reading]) -> list[Group]:
    """Return all groups that the names allow, by number and by label."""
    found: dict[tuple[str, str, bool], dict[str, Reading]] = {}

    def add(r: Reading, pattern: str, key: str, by_number: bool) -> None:
        found.setdefault((r.quantity or "", pattern, by_number), {}).setdefault(key, r)

    for r in readings:
        if r.quantity not in JOINT_KEYS or r.score < 0.2:
            continue
        for piece in r.numbers:
            pattern = r.name[: piece.start] + "{n}" + r.name[piece.end :]
            add(r, pattern, piece.word.lstrip("0") or "0", True)
        if r.label is not None:
            pattern = r.name[: r.label.start] + "{name}" + r.name[r.label.end :]
            add(r, pattern, r.label.word, False)
    return [Group.of(*known, members) for known, members in found.items()]


def choose(groups: Sequence[Group]) -> tuple[dict[str, Group], list[str], bool]:
    """Choose one group for each quantity, and the joints they speak of.

    Returns
    -------
    chosen : dict
        Quantity to group.
    keys : list of str
        The joints' numbers or labels, in order.
    by_number : bool
        Whether the keys are numbers.
    """
    best: tuple[float, dict[str, Group], list[str], bool] | None = None
    for by_number in (True, False):
        mine = [g for g in groups if g.by_number == by_number]
        anchors = [g for g in mine if g.quantity == "current"]
        anchors = anchors or [g for g in mine if g.quantity in ("angle", "rate")]
        for anchor in anchors:
            chosen = _around(anchor, mine)
            motion = [chosen[q] for q in ("angle", "rate") if q in chosen]
            keys = set(anchor.members)
            for g in motion:
                keys |= _reach(anchor, mine) & set(g.members)
            for g in motion:
                reach = _reach(g, mine)
                if keys & reach:
                    keys &= reach if len(reach) < len(keys) else keys
            value = sum(
                g.worth(keys) for g in chosen.values() if g.quantity in _NEEDED
            ) + 0.1 * len(keys)
            if best is None or value > best[0]:
                best = (value, chosen, order_keys(keys, anchor, by_number), by_number)
    if best is None:
        return {}, [], True
    return best[1], best[2], best[3]


def _reach(chosen: Group, groups: Sequence[Group]) -> set[str]:
    """Return the joints that a quantity has, those under another name too."""
    keys = set(chosen.members)
    for g in groups:
        if g.quantity == chosen.quantity and g.score >= _LIKE and not keys & set(g.members):
            keys |= set(g.members)
    return keys


def of_one_joint(readings: Sequence[Reading]) -> dict[str, Group]:
    """Return the quantities of a log of one joint, whose names need not number it.

    Empty unless there is one column for the current, and one for the angle or the rate.
    """
    found: dict[str, Group] = {}
    for quantity in JOINT_KEYS:
        mine = [r for r in readings if r.quantity == quantity and r.score >= _LIKE]
        if len(mine) > 1:
            return {}
        if mine:
            found[quantity] = Group.of(quantity, mine[0].name, True, {_ONLY: mine[0]})
    whole = "current" in found and ("angle" in found or "rate" in found)
    return found if whole else {}


def named_alone(readings: Sequence[Reading], chosen: Group, names: Iterable[str]) -> Group | None:
    """Return columns that bear a joint's name and nothing else: its angle, most likely.

    ``chosen`` is the current's group; its joints are looked for among ``names``.
    """
    if chosen.by_number or len(chosen.members) < 2:
        return None
    taken = {r.name for r in readings if r.quantity in JOINT_KEYS}
    found: dict[str, str] = {}
    for key in chosen.members:
        for name in names:
            if name.lower() == key and name not in taken:
                found[key] = name
    if set(found) != set(chosen.members):
        return None
    return Group("angle", "{name}", False, found, (_ALONE,) * len(found))


def order_keys(keys: Iterable[str], anchor: Group, by_number: bool) -> list[str]:
    """Put joints in order: by number, or as the columns come."""
    if by_number:
        return sorted(keys, key=int)
    place = {k: i for i, k in enumerate(anchor.members)}
    return sorted(keys, key=lambda k: place.get(k, 0))


def columns_of(chosen: Group, others: Sequence[Group], keys: Sequence[str]) -> Mapping[str, str]:
    """Return each joint's column, missing ones taken from like-named groups."""
    found = {k: chosen.members[k] for k in keys if k in chosen.members}
    for k in keys:
        if k in found:
            continue
        spare = [
            g
            for g in others
            if g.quantity == chosen.quantity and k in g.members and g.score >= _LIKE
        ]
        if spare:
            found[k] = max(spare, key=lambda g: g.score).members[k]
    return {k: found[k] for k in keys if k in found}


_LIKE = 0.6
"""So clear must a column's name be to stand in where a joint's own pattern has none."""
_ALONE = 0.55
"""A column that bears a joint's name alone is a question."""
_ONLY = "1"
"""Number of the joint of a log that has one."""
_NEEDED = ("current", "angle", "rate")


def _around(anchor: Group, groups: Sequence[Group]) -> dict[str, Group]:
    chosen = {anchor.quantity: anchor}
    for quantity in {g.quantity for g in groups} - {anchor.quantity}:
        rivals = [
            g for g in groups if g.quantity == quantity and set(g.members) & set(anchor.members)
        ]
        if rivals:
            chosen[quantity] = max(rivals, key=lambda g: g.worth(anchor.members))
    return chosen
