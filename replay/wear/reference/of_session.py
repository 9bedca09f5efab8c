"""Whether a session's friction may be told, by its unit's reference model or its own."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from replay.wear.measures.motions import chunk_means, motion_samples, moving_rows
from replay.wear.reference.model import Reference, make_reference
from replay.wear.reference.withheld import withheld


def coulomb_withheld(references: Mapping[str, Reference], serial: str, table: pl.DataFrame) -> str:
    """Return why a session's Coulomb friction must not be given; empty where it may.

    Parameters
    ----------
    references : mapping
        The archive's reference models (`replay.wear.reference.store.load`).
    serial : str
        The unit; what many of its sessions say counts, where `wear` has read them.
    table : DataFrame
        Its joint table, which is asked where nothing is known of the unit.
    """
    reference = references.get(serial)
    if reference is None:
        rows = moving_rows(table)
        if rows is not None:
            reference = make_reference([chunk_means(motion_samples(rows))], 1)
    return "" if reference is None else withheld(reference).get("coulomb friction", "")
