"""Give histories of units without serial numbers keys that name their arm.

Programs before schema version 2 keyed such a unit by its joint's name alone, so
that two arms without serial numbers shared one baseline and one history.
"""

from __future__ import annotations

import json

import polars as pl

from replay.archive.store import Archive

KEYED = {"flags": "unit", "indicators": "serial", "motions": "serial"}
"""Tables with one row or more a session, and their column with the unit's key."""

LIMITS = "wear/limits.json"


def rename_units(archive: Archive) -> None:
    """Put `records.Session.unit` in place of bare joint names, wherever a key is kept.

    A note or a limit on a bare name concerned every arm with such a joint; it
    now stands once for each. Doing it again changes nothing.
    """
    records = [archive.session(s) for s in archive.tables.read("sessions", ("session",))["session"]]
    unnamed = [(r.session, j, r.unit(j)) for r in records for j in r.joints if j not in r.units]
    if not unnamed:
        return
    keys = pl.DataFrame(unnamed, schema=["session", "joint", "key"], orient="row")
    for table, column in KEYED.items():
        _rename_rows(archive, table, column, keys)
    by_name: dict[str, list[str]] = {}
    for _, joint, key in unnamed:
        if key not in by_name.setdefault(joint, []):
            by_name[joint].append(key)
    _rename_limits(archive, by_name)
    _rename_notes(archive, by_name)


def _rename_rows(archive: Archive, table: str, column: str, keys: pl.DataFrame) -> None:
    rows = archive.table(table)
    if not rows.height:
        return
    old = rows.join(keys, on=["session", "joint"], how="left", maintain_order="left")
    bare = pl.col("key").is_not_null() & (pl.col(column) == pl.col("joint"))
    sessions = old.filter(bare)["session"].unique().to_list()
    if not sessions:
        return
    new = old.with_columns(pl.when(bare).then("key").otherwise(column).alias(column)).drop("key")
    archive.replace(table, new.filter(pl.col("session").is_in(sessions)), session=sessions)


def _rename_limits(archive: Archive, by_name: dict[str, list[str]]) -> None:
    if LIMITS not in archive.documents("wear"):
        return
    kept = json.loads(archive.read_document(LIMITS))
    named: dict[str, float] = {}
    for key, value in kept.items():
        unit, slash, indicator = key.rpartition("/")
        for name in by_name.get(unit, [unit]):
            named[f"{name}{slash}{indicator}"] = value
    if named != kept:
        archive.write_document(LIMITS, json.dumps(named, sort_keys=True, indent=1).encode())


def _rename_notes(archive: Archive, by_name: dict[str, list[str]]) -> None:
    notes = archive.table("maintenance")
    if not notes.height or not notes["serial"].is_in(list(by_name)).any():
        return
    rows = [
        note | {"serial": name, "note": note["note"] if k == 0 else f"{note['note']}-{k}"}
        for note in notes.to_dicts()
        for k, name in enumerate(by_name.get(note["serial"], [note["serial"]]))
    ]
    new = pl.DataFrame(rows, schema=notes.schema)
    archive.replace("maintenance", new, session=notes["session"].unique().to_list())
