"""The units' reference models, kept in the archive and renewed at set counts of sessions."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from typing import Any

import numpy as np
import orjson

from replay.archive import Archive
from replay.wear.measures.motions import Motions
from replay.wear.reference.model import STAGES, Reference, make_reference
from replay.wear.reference.pooled_motions import some_chunks

DOCUMENT = "wear/reference-models.json"

METHOD = 5
"""Rises when the reference model changes; older ones are then made anew."""

Read = Callable[[Archive, str, Sequence[str]], Mapping[str, Motions]]


def renew(
    archive: Archive, places: dict[str, list[tuple[str, str]]], *, read: Read
) -> tuple[dict[str, Reference], set[str]]:
    """Return all reference models, and the serials whose reference model is new.

    Parameters
    ----------
    archive : Archive
    places : dict
        Per serial, the (session, joint) pairs in which the unit worked.
    read : callable
        Gives the motions of some joints in a session; a session is read once for all units.
    """
    kept = load(archive)
    renewed: set[str] = set()
    chosen: dict[str, tuple[int, list[tuple[str, str]]]] = {}
    for serial, pairs in places.items():
        stage = max((k for k, least in enumerate(STAGES, 1) if len(pairs) >= least), default=0)
        if stage == 0 or (serial in kept and kept[serial].stage >= stage):
            continue
        count = min(len(pairs), STAGES[-1])
        evenly = np.unique(np.linspace(0, len(pairs) - 1, count).astype(int))
        chosen[serial] = stage, [pairs[k] for k in evenly]
    motions = _read_once(archive, [pairs for _, pairs in chosen.values()], read)
    for serial, (stage, pairs) in chosen.items():
        made = make_reference([motions[p] for p in pairs if p in motions], stage)
        if made is not None:
            kept[serial] = made
            renewed.add(serial)
    if renewed:
        units = {serial: asdict(r) for serial, r in sorted(kept.items())}
        document = {"method": METHOD, "units": units}
        archive.write_document(DOCUMENT, orjson.dumps(document, option=orjson.OPT_INDENT_2))
    return kept, renewed


def _read_once(
    archive: Archive, wanted: Sequence[Sequence[tuple[str, str]]], read: Read
) -> dict[tuple[str, str], Motions]:
    joints: dict[str, list[str]] = {}
    for pairs in wanted:
        for session, joint in pairs:
            joints.setdefault(session, []).append(joint)
    return {
        (session, joint): some_chunks(motions)
        for session, own in joints.items()
        for joint, motions in read(archive, session, own).items()
    }


def load(archive: Archive) -> dict[str, Reference]:
    """Return the reference models kept in the archive, by serial."""
    if DOCUMENT not in archive.documents("wear"):
        return {}
    kept = orjson.loads(archive.read_document(DOCUMENT))
    found: dict[str, Reference] = {}
    if kept.get("method") != METHOD:
        return {}
    for serial, row in kept["units"].items():
        fields: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in row.items()}
        found[serial] = Reference(**fields)
    return found
