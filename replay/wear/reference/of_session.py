"""Whether a session's friction may be told, by its unit's reference model or its own."""

from __future__ import annotations

import polars as pl

from replay.archive import Archive
from replay.wear.measures.motions import cut_motions, moving_rows
from replay.wear.reference.friction_told import withheld
from replay.wear.reference.model import make_reference
from replay.wear.reference.store import load


def coulomb_withheld(archive: Archive, serial: str, table: pl.DataFrame) -> str:
    """Return why a session's Coulomb friction must not be given; empty where it may.

    Parameters
    ----------
    archive : Archive
    serial : str
        The unit; what many of its sessions say counts, where `wear` has read them.
    table : DataFrame
        Its joint table, which is asked where nothing is known of the unit.
    """
    reference = load(archive).get(serial)
    if reference is None:
        rows = moving_rows(table)
        reference = None if rows is None else make_reference([cut_motions(rows)], 1)
    return "" if reference is None else withheld(reference).get("coulomb friction", "")
