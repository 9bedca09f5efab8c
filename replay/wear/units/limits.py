"""Where an indicator must not go: set by the user, per indicator or per unit.

The tool brings one limit of its own: margin left reaches zero. Every other
limit is a decision of the operator's rules, not of a program.
"""

from __future__ import annotations

import math

from replay.archive import Archive
from replay.errors import UsageError
from replay.record import Draft, Record, clean_name, open_record
from replay.wear.catalogue import INDICATORS, describe, former_name, present_name
from replay.wear.units.maintenance import units_known

KIND = "limit"
NOT_NAMED = "not named"
"""Who set a limit, where the caller does not say."""

OWN: dict[str, float] = {"margin left": 0.0}


def limits(archive: Archive) -> dict[str, float]:
    """Return the limits, each in its indicator's unit.

    Parameters
    ----------
    archive : Archive

    Returns
    -------
    dict of str to float
        By ``indicator``, or ``serial/indicator`` for one joint unit.
    """
    found = dict(OWN)
    in_force = open_record(archive).in_force(KIND)
    for key in sorted(in_force, key=lambda k: present_name(k) == k):  # former names first
        value = (in_force[key].after or {}).get("value")
        if value is not None:
            found[present_name(key)] = float(value)
        elif present_name(key) not in OWN:
            found.pop(present_name(key), None)
    return found


def set_limit(
    archive: Archive,
    indicator: str,
    value: float | None,
    *,
    serial: str | None = None,
    by: str = "",
) -> None:
    """Set or (with None) remove a limit, in the indicator's unit; earlier ones stay on record.

    Parameters
    ----------
    archive : Archive
    indicator : str
        Name of the indicator.
    value : float or None
        The limit in the indicator's unit; None removes it.
    serial : str, optional
        Key of the one unit it holds for; all by default.
    by : str
        Who sets it.

    Raises
    ------
    UsageError
        For a limit that is not a finite number, and for an indicator or a unit
        that nobody knows: such a limit would never be looked at.
    """
    if value is not None and not math.isfinite(value):
        raise UsageError(f"a limit must be a finite number, not {value}")
    if value is not None:
        _refuse_unknown(archive, present_name(indicator), serial)
    indicator = present_name(indicator)
    key = f"{serial}/{indicator}" if serial else indicator
    record = open_record(archive)
    before = _given(record, key)
    if before == value:
        return
    record.append(
        [
            Draft(
                kind=KIND,
                subject=key,
                what="removed" if value is None else "set",
                who=clean_name(by, "who sets a limit") if by else NOT_NAMED,
                before={"value": before},
                after={"value": value},
            )
        ]
    )


def _given(record: Record, key: str) -> float | None:
    entry = record.last(KIND, key) or record.last(KIND, former_name(key))
    value = (entry.after or {}).get("value") if entry is not None else None
    return None if value is None else float(value)


def _refuse_unknown(archive: Archive, indicator: str, serial: str | None) -> None:
    family = describe(indicator)
    if not family.unit or family.counts_use or (indicator == "ripple"):
        names = [i.name for i in INDICATORS if not i.counts_use and i.name != "ripple"]
        raise UsageError(
            f"{indicator!r} is not an indicator that can have a limit",
            todo=f"one of {', '.join(names)}, ripple at N per turn",
        )
    if serial is not None and serial not in (known := units_known(archive)):
        raise UsageError(
            f"no session and no note names a unit {serial!r}",
            todo=f"known are {', '.join(sorted(known)) or 'none'}",
        )


def limit_for(found: dict[str, float], serial: str, indicator: str) -> float | None:
    """Return the limit of one unit's indicator, the unit's own first."""
    return found.get(f"{serial}/{indicator}", found.get(indicator))
