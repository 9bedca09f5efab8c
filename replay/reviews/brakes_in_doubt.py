"""A brake that was seen to fail has no margin: its rating does not say that it holds.

A brake's margin rests on its rated torque, which nobody measured. Where the same session
shows that the brake gave way, or that it let go late, the figure is withheld and the row says
why. A verdict gives it back to nobody: what the brake holds is for a measurement to say.
"""

from __future__ import annotations

from collections.abc import Iterable

import polars as pl

from replay.reviews.findings import Finding
from replay.wear.catalogue import describe

FLAGGED = {
    "brake-slip": "a slip of this brake was flagged in this session",
    "late-release": "a late release of this brake was flagged in this session",
}
"""What is said of a brake, by the kind of a flag on its joint."""

LEAST_SLIP_DEG = describe("brake holding slip").least
"""A slip below what matters to anyone puts no brake in doubt."""

EVERY_JOINT = ""
"""The joint of a flag that concerns them all."""


def withhold_doubted_brakes(
    margins: pl.DataFrame, found: Iterable[Finding], held: pl.DataFrame
) -> pl.DataFrame:
    """Return margins without a figure for any brake that was flagged or seen to slip.

    Parameters
    ----------
    margins : DataFrame
        `replay.signals.margins.session_margins`.
    found : iterable of Finding
        The session's findings; none where it was not checked.
    held : DataFrame
        Held stretches of all joints, ``joint`` first; what stayed displaced needs no check.

    Returns
    -------
    DataFrame
        The same rows; a brake in doubt has a null ``margin``, and its ``note`` says why.
    """
    doubts = _doubts(found, held)
    if not margins.height or not doubts:
        return margins
    rows = []
    for row in margins.iter_rows(named=True):
        why = doubts.get(row["joint"], []) + doubts.get(EVERY_JOINT, [])
        if row["what"] == "brake" and why:
            note = f"{row['note']}; {', and '.join(dict.fromkeys(why))}: "
            row |= {"margin": None, "note": f"{note}its rating does not say that it holds"}
        rows.append(row)
    return pl.DataFrame(rows, schema=margins.schema)


def _doubts(found: Iterable[Finding], held: pl.DataFrame) -> dict[str, list[str]]:
    """Return what is against each joint's brake, in words."""
    doubts: dict[str, list[str]] = {}
    for flag in (f for one in found for f in one.flags):
        if flag.kind in FLAGGED:
            doubts.setdefault(flag.joint or EVERY_JOINT, []).append(FLAGGED[flag.kind])
    if not held.height:
        return doubts
    size = pl.col("slip_deg").abs()
    slips = held.filter((pl.col("status") == "slip") & (size >= LEAST_SLIP_DEG))
    farthest = slips.group_by("joint", maintain_order=True).agg(size.max())
    for joint, slip_deg in farthest.iter_rows():
        doubts.setdefault(joint, []).append(
            f"the joint moved by {slip_deg:.2g} deg under this brake and stayed there"
        )
    return doubts
