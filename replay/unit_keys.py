"""The key of a joint unit, made here and nowhere else: what all its histories go by."""

from __future__ import annotations


def unit_key(serial: str | None, arm: str, joint: str) -> str:
    """Return the key of the joint unit at a joint of an arm.

    Parameters
    ----------
    serial : str or None
        The unit's serial number, where it is known.
    arm, joint : str
        Names of the arm and of the place on it.

    Returns
    -------
    str
        The serial number. Where none is known, the arm's name and the joint's, so
        that two arms without serial numbers share no history.

    >>> unit_key("TU-101", "Heron", "J1"), unit_key(None, "Heron", "J1")
    ('TU-101', 'Heron J1')
    """
    return serial or f"{arm} {joint}".strip()
