"""The unit of each quantity: what names and unit rows state first, then what values prove.

Longer than 245 lines because stated and proved units settle one another, joint by joint.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from replay.logs import scales
from replay.logs.maps import JOINT_KEYS
from replay.logs.proposing import guesses
from replay.logs.proposing.guesses import Floats, Guess, size
from replay.logs.proposing.names import read_name
from replay.logs.proposing.unit_evidence import (
    Proof,
    angle_proofs,
    limit_proofs,
    rate_proofs,
    settle,
)

_RATE_OF = {"deg": "deg/s", "rad": "rad/s", "rev": "rev/s", "mm": "mm/s"}
_ANGLE_OF = {r: a for a, r in _RATE_OF.items()}
_ODD_JOINT = 0.4
"""A joint whose slope stands by this much (of a logarithm) off the others' is in another unit."""
_NEAR = 0.08
"""Two pairs of units whose factors differ by less are not told apart by a slope."""


@dataclass(frozen=True, slots=True)
class Column:
    """One joint's column of one quantity."""

    name: str
    values: Floats
    key: str = ""
    """The joint's number or name: a quantity may lack some joints."""


Chosen = Mapping[str, Sequence[Column]]


def propose_units(
    chosen: Chosen,
    unit_row: Mapping[str, str],
    seconds: Floats | None,
    keys: Sequence[str],
    limits: Sequence[tuple[str, float, str]] = (),
) -> dict[str, Guess]:
    """Return each quantity's unit, how sure it is and what it rests on.

    Parameters
    ----------
    chosen : mapping
        The joints' columns by quantity of the map, in the order of the joints.
    unit_row : mapping
        Units that the log's own row of units states, by column.
    seconds : ndarray or None
        Times of the first rows, where the quantities share their rows.
    keys : sequence of str
        The joints' numbers or names.
    limits : sequence of (str, float, str)
        Columns that state a limit of the rate, their value and unit.

    Returns
    -------
    dict
        ``value`` is the unit, or a list of one for each joint as JSON.
    """
    found: dict[str, Guess] = {}
    for quantity, columns in chosen.items():
        if JOINT_KEYS[quantity][1]:
            said = _stated(quantity, columns, unit_row, keys)
            if said is not None:
                found[quantity] = said
    _motion(found, chosen, seconds, keys, limits)
    for quantity, columns in chosen.items():
        values = [c.values for c in columns]
        if quantity in found or not JOINT_KEYS[quantity][1]:
            continue
        if quantity == "current":
            found[quantity] = guesses.current_unit(values)
        elif quantity == "temperature":
            found[quantity] = guesses.temperature_unit(values)
        elif quantity == "torque":
            found[quantity] = Guess("N m", 0.5, "assumed: nothing states the unit of a torque")
    _like(found, chosen, "commanded_angle", "angle")
    _like(found, chosen, "commanded_rate", "rate")
    _like(found, chosen, "target_current", "current")
    if "motor_angle" in chosen and "motor_angle" not in found:
        found["motor_angle"] = Guess("deg", 0.4, "a motor's own turns: nothing states the unit")
    return found


def _stated(
    quantity: str, columns: Sequence[Column], unit_row: Mapping[str, str], keys: Sequence[str]
) -> Guess | None:
    measures = JOINT_KEYS[quantity][1]
    by_name = [_of(measures, read_name(c.name).unit) for c in columns]
    by_row = [_of(measures, unit_row.get(c.name)) for c in columns]
    for n, r, c in zip(by_name, by_row, columns, strict=True):
        if n is not None and r is not None and n != r:
            why = f"the name of {c.name!r} says {n}, the row of units {r}"
            return Guess(n, 0.4, why)
    units = [n or r for n, r in zip(by_name, by_row, strict=True)]
    told = [u for u in units if u is not None]
    if not told:
        return None
    where = "the name says so" if any(by_name) else "the unit row says so"
    if len(set(told)) == 1 and len(told) == len(units):
        return Guess(told[0], 0.97, where)
    if len(told) < len(units):
        bare = next(c.name for c, u in zip(columns, units, strict=True) if u is None)
        usual = max(set(told), key=told.count)
        tops = [size([c.values]) for c in columns]
        alike = max(tops) < 20.0 * max(min(tops), 1e-9)
        why = f"{where}, but not of {bare!r}"
        return Guess(usual, 0.7 if len(set(told)) == 1 and alike else 0.4, why)
    odd = min(set(told), key=told.count)
    name = columns[told.index(odd)].name
    usual = max(set(told), key=told.count)
    of_key = {c.key: u for c, u in zip(columns, told, strict=True)}
    listed = [of_key.get(k, usual) for k in keys]
    return Guess(json.dumps(listed), 0.9, f"{where}: {name!r} is in {odd}, the others are not")


def _of(measures: str, unit: str | None) -> str | None:
    known = None if unit is None else scales.find(unit)
    return known.unit if known is not None and known.measures == measures else None


def _motion(
    found: dict[str, Guess],
    chosen: Chosen,
    seconds: Floats | None,
    keys: Sequence[str],
    limits: Sequence[tuple[str, float, str]],
) -> None:
    """Settle the units of angle and rate, which hang together."""
    angles, rates = ([c.values for c in chosen.get(q, ())] for q in ("angle", "rate"))
    more_angles = [*angles, *(c.values for c in chosen.get("commanded_angle", ()))]
    more_rates = [*rates, *(c.values for c in chosen.get("commanded_rate", ()))]
    linear = len({k.lower() for k in keys} & {"x", "y", "z"}) >= 2
    proofs = []
    for quantity in ("commanded_angle", "commanded_rate"):  # a pair that states its unit
        g = found.get(quantity)
        if g is not None and g.confidence > 0.9 and not linear:
            unit = _ANGLE_OF.get(g.value, g.value)
            if unit in ("deg", "rad") and _same_size(chosen, quantity):
                proofs.append(Proof(unit, 0.85, f"{quantity.replace('_', ' ')} states {g.value}"))
    of_rates = [*rate_proofs(more_rates), *limit_proofs(limits, rates)]
    of_rates.sort(key=lambda p: -p.confidence)
    proofs += [] if linear else [*angle_proofs(more_angles), *of_rates]
    proofs.sort(key=lambda p: -p.confidence)
    ratios = _ratios(chosen, seconds)
    usual = float(np.median(list(ratios.values()))) if ratios else None
    if angles and "angle" not in found:
        top = size(angles)
        lean = "rad" if top <= 13.0 else "deg"
        found["angle"] = settle(proofs, lean, f"values reach {top:.3g} {lean}")
        if linear:
            found["angle"] = Guess("mm", 0.5, "axes named X, Y, Z move in a line")
        elif "rate" in found and usual is not None:
            found["angle"] = _by_slope(found["angle"], "angle", found["rate"], usual)
    if rates and "rate" not in found:
        top = size(rates)
        lean = "rad/s" if top <= 12.6 else "deg/s"
        if linear:
            found["rate"] = Guess("mm/s", 0.5, "axes named X, Y, Z move in a line")
        elif "angle" in found and usual is not None:
            mine = settle(proofs, _ANGLE_OF[lean], f"rates reach {top:.3g} {lean}")
            own = Guess(_RATE_OF[mine.value], mine.confidence, mine.why)
            found["rate"] = _by_slope(own, "rate", found["angle"], usual)
            differ = _ANGLE_OF.get(found["rate"].value) != found["angle"].value
            if differ and found["rate"].confidence > found["angle"].confidence:
                found["angle"] = Guess(  # only this pair has such a slope
                    found["angle"].value, found["rate"].confidence, found["rate"].why
                )
        else:
            mine = settle(of_rates, _ANGLE_OF[lean], f"rates reach {top:.3g} {lean}")
            found["rate"] = Guess(_RATE_OF[mine.value], mine.confidence, mine.why)
    _odd_joints(found, ratios)
    _check_slope(found, usual)


def _same_size(chosen: Chosen, quantity: str) -> bool:
    measured = quantity.removeprefix("commanded_")
    if measured not in chosen:
        return False
    one, two = (size([c.values for c in chosen[q]]) for q in (quantity, measured))
    return 0.5 < one / max(two, 1e-12) < 2.0


def _ratios(chosen: Chosen, seconds: Floats | None) -> dict[str, float]:
    """Return by the angle's column how many times its joint's rate the slope of the angle is."""
    ratios: dict[str, float] = {}
    if seconds is None:
        return ratios
    n = len(seconds)
    step = np.diff(seconds)
    step = np.where(step > 0, step, np.nan)
    rates = {c.key: c.values for c in chosen.get("rate", ())}
    pairs = [(c.name, c.values, rates[c.key]) for c in chosen.get("angle", ()) if c.key in rates]
    for k, a, r in pairs:
        slope = np.diff(a[:n]) / step
        middle = 0.5 * (r[1:n] + r[: n - 1])
        use = np.isfinite(slope) & np.isfinite(middle)
        if use.sum() < 15:
            continue
        fast = use & (np.abs(middle) > 0.3 * np.nanmax(np.abs(middle[use])))
        if fast.sum() >= 8:
            ratios[k] = abs(float(np.median(slope[fast] / middle[fast])))
    return {k: r for k, r in ratios.items() if r > 1e-9}


def _by_slope(own: Guess, quantity: str, other: Guess, ratio: float) -> Guess:
    """Return the unit that the slope asks for beside the other quantity's."""
    options = [*_RATE_OF.values(), "rpm"] if quantity == "rate" else [*_RATE_OF]
    rated = []
    for unit in options:
        pair = (other.value, unit) if quantity == "rate" else (unit, other.value)
        if any(u not in scales.SCALES for u in pair):
            continue
        a, r = (scales.SCALES[u] for u in pair)
        if a.linear == r.linear:
            rated.append((abs(float(np.log(ratio * a.factor / r.factor))), unit))
    rated.sort()
    if not rated or rated[0][0] > 0.25:
        why = f"the angle's slope is {ratio:.3g} times the rate: no unit explains that"
        return Guess(own.value, min(own.confidence, 0.4), why)
    misfit, unit = rated[0]
    why = f"the angle's slope is {ratio:.3g} times the rate, beside {other.value}"
    sure = min(0.92 if misfit < 0.1 else 0.75, 1.0)
    same = _RATE_OF.get(other.value) == unit or _RATE_OF.get(unit) == other.value
    stated = other.confidence >= 0.95
    if same and not stated:  # both readings have this slope: nothing is added by it
        return Guess(unit, min(sure, other.confidence), f"{why}; {other.why}")
    if len(rated) > 1 and rated[1][0] - misfit < _NEAR and not stated:
        return Guess(unit, 0.5, f"{why}; {rated[1][1]} has nearly the same")
    return Guess(unit, sure, why)


def _odd_joints(found: dict[str, Guess], ratios: Mapping[str, float]) -> None:
    if len(ratios) < 3 or "angle" not in found or "rate" not in found:
        return
    usual = float(np.median(np.log(list(ratios.values()))))
    odd = [k for k, r in ratios.items() if abs(np.log(r) - usual) > _ODD_JOINT]
    listed = [found[q].value.startswith("[") for q in ("angle", "rate")]
    if not odd or any(listed):
        return
    names = ", ".join(repr(k) for k in odd[:3])
    why = (
        f"the slope of {names} stands otherwise to its rate than the other joints': "
        "another unit, or another joint's column"
    )
    for q in ("angle", "rate"):
        found[q] = Guess(found[q].value, min(found[q].confidence, 0.4), why)


def _check_slope(found: dict[str, Guess], usual: float | None) -> None:
    """Doubt stated units that the slope contradicts."""
    a, r = found.get("angle"), found.get("rate")
    if usual is None or a is None or r is None:
        return
    if a.value not in scales.SCALES or r.value not in scales.SCALES:
        return
    expected = scales.SCALES[r.value].factor / scales.SCALES[a.value].factor
    if abs(float(np.log(usual / expected))) > _ODD_JOINT:
        why = (
            f"the angle's slope is {usual:.3g} times the rate; {a.value} and {r.value} would make "
            f"it {expected:.3g}: one of the two is not what it says, or another shaft's"
        )
        for q, g in (("angle", a), ("rate", r)):
            found[q] = Guess(g.value, min(g.confidence, 0.4), why)


def _like(found: dict[str, Guess], chosen: Chosen, quantity: str, measured: str) -> None:
    """Give a command the unit of what follows it, where the two are of one size."""
    if quantity not in chosen or quantity in found:
        return
    base = found.get(measured)
    if base is None or base.value.startswith("["):
        unit = {"commanded_rate": "deg/s", "target_current": "A"}.get(quantity, "deg")
        found[quantity] = Guess(unit, 0.4, "nothing states the unit")
        return
    one, two = (size([c.values for c in chosen[q]]) for q in (quantity, measured))
    near = one / max(two, 1e-12)
    if 0.4 < near < 2.5:
        found[quantity] = Guess(base.value, base.confidence - 0.03, "as large as the measured one")
    else:
        found[quantity] = Guess(base.value, 0.4, f"{near:.3g} times as large as the measured one")
