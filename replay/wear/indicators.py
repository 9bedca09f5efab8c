"""Every session's indicators, measured once and kept in the ``indicators`` table.

Longer than 245 lines because what a row holds and when it is measured again stand together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import partial

import numpy as np
import polars as pl

from replay.archive import Archive, keys_of_roll
from replay.errors import DamageError, JointbookError
from replay.models import list_versions, readable_baseline
from replay.records import Session
from replay.signals import joint_tables, second_recorder_events
from replay.signals.channels import arm_of
from replay.wear.measures.joint import ReferenceModels, measure_joint
from replay.wear.measures.measure import Measure
from replay.wear.measures.motions import Motions, chunk_means, motion_samples, moving_rows
from replay.wear.reference import store
from replay.workers import Each, in_turn, one_thread

METHOD = 14
"""Rises when a measure changes; older rows are then measured again."""

SCHEMA: dict[str, pl.DataType] = {
    "session": pl.String(),
    "arm": pl.String(),
    "joint": pl.String(),
    "serial": pl.String(),
    "indicator": pl.String(),
    "unit": pl.String(),
    "value": pl.Float64(),
    "se": pl.Float64(),
    "n": pl.Int64(),
    "start": pl.Datetime("us", "UTC"),
    "baseline": pl.String(),
    "at": pl.Datetime("us", "UTC"),
    "temperature_c": pl.Float64(),
    "load_nm": pl.Float64(),
    "rate_deg_s": pl.Float64(),
    "payload_kg": pl.Float64(),
    "base_end": pl.String(),
    "method": pl.Int64(),
    "reference_stage": pl.Int64(),
    "posture_told": pl.Boolean(),
    "bracket_low": pl.List(pl.Float64()),
    "bracket_high": pl.List(pl.Float64()),
}
"""``bracket_low`` and ``bracket_high`` are the bounds of each event's delay, where the
figure is a delay. ``posture_told`` is false where the current follows posture or what is
carried, and nothing tells that load. ``reference_stage`` is the stage of the unit's reference, see
`replay.wear.reference.model`."""

NOTHING = "nothing"
"""Marks a session that was looked at and gave no indicator."""

BATCH = 50
"""Sessions per commit: a commit costs more than a session's measures."""

Wrap = Callable[[list[str]], Iterable[str]]


def indicators(
    archive: Archive,
    sessions: Iterable[str] | None = None,
    *,
    progress: Wrap | None = None,
    each: Each = in_turn,
) -> pl.DataFrame:
    """Return the indicator table, measuring the sessions that it lacks.

    Whoever does not need the rows calls `bring_up_to_date`, which reads little else.

    Parameters
    ----------
    archive : Archive
    sessions : iterable of str, optional
        All by default. A session is measured when it is not in the table yet,
        or was measured with another baseline, an older method or an older
        reference model of one of its units.
    progress : callable, optional
        Takes the list of sessions to measure and returns an iterable of them.
    each : Each
        Who measures; this process alone stores, in the order of the sessions.

    Returns
    -------
    DataFrame
        Columns of `SCHEMA`; a row is one indicator of one unit in one session.
    """
    some = None if sessions is None else list(sessions)
    bring_up_to_date(archive, some, progress=progress, each=each)
    table = archive.table("indicators")
    if not table.height:
        return pl.DataFrame(schema=SCHEMA)
    table = table.select(list(SCHEMA)).filter(pl.col("indicator") != NOTHING)
    return table if some is None else table.filter(pl.col("session").is_in(some))


def bring_up_to_date(
    archive: Archive,
    sessions: Iterable[str] | None = None,
    *,
    progress: Wrap | None = None,
    each: Each = in_turn,
) -> None:
    """Measure the sessions that the indicator table lacks; parameters as for `indicators`.

    Which these are is told by the table's roll.
    """
    catalogue = archive.sessions()
    if not catalogue.height:
        return
    wanted = list(catalogue["session"] if sessions is None else sessions)
    baseline = newest_baseline(archive)
    known = _known(archive, set(catalogue["session"]), baseline)
    records = {s: archive.session(s) for s in wanted if s not in known}
    places = _places(known, records, wanted, catalogue["session"].to_list())
    references, renewed = store.renew(archive, places, read=_motions_of)
    stale = {s for serial in renewed for s, _ in places[serial]}
    todo = [s for s in wanted if s in records or s in stale]
    if not todo:
        return
    against = ReferenceModels.of(references, readable_baseline(archive, baseline))
    held: list[pl.DataFrame] = []
    names: list[str] = []
    measure = partial(_measured, archive, against, baseline)
    if len(todo) > BATCH:  # the table is in the order of units: an arm's sessions go together
        arms = dict(catalogue.select("session", "arm").iter_rows())
        todo.sort(key=lambda s: arms.get(s) or "")
    for name, rows in each(measure, progress(todo) if progress else todo):
        held.append(rows)
        names.append(name)
        if len(names) == BATCH:
            _keep(archive, held, names)
            held, names = [], []
    if names:
        _keep(archive, held, names)


def _keep(archive: Archive, held: list[pl.DataFrame], names: list[str]) -> None:
    units = {unit for name in names for unit in archive.session(name).unit_keys}
    archive.replace("indicators", pl.concat(held), session=names, units=units)


def _measured(
    archive: Archive, against: ReferenceModels, baseline: str, session: str
) -> tuple[str, pl.DataFrame]:
    with one_thread():
        return session, measure_session(archive, session, against, baseline)


def measure_session(
    archive: Archive, session: str, against: ReferenceModels, baseline: str
) -> pl.DataFrame:
    """Return the indicator rows of one session."""
    record = archive.session(session)
    rows: list[dict[str, object]] = []
    arm = arm_of(record)
    tables = _tables(archive, session)
    brakes = second_recorder_events(archive, session) if tables else {}
    for joint, table in tables.items():
        serial = record.unit(joint)
        about = _about(record, joint, serial, baseline) | _conditions(record, table)
        reference = against.references.get(serial)
        about["reference_stage"] = 0 if reference is None else reference.stage
        about["posture_told"] = reference is None or reference.posture_told
        described = arm.joint(joint) if arm and joint in arm.joint_names else None
        found = measure_joint(table, serial, described, against, tables, brakes.get(joint))
        rows += [about | _row(m) for m in found]
    if not rows:
        mark = Measure(NOTHING, "", float("nan"), float("nan"), 0, None)
        rows = [_about(record, "", "", baseline) | _row(mark)]
    return pl.DataFrame(rows, schema=SCHEMA)


def newest_baseline(archive: Archive) -> str:
    """Return the version of the newest baseline; empty when there is none."""
    versions = list_versions(archive)
    return versions[-1] if versions else ""


def _known(archive: Archive, there: set[str], baseline: str) -> dict[str, list[tuple[str, str]]]:
    """Return, per session whose rows are up to date, its (serial, joint) pairs."""
    fresh: dict[str, list[tuple[str, str]]] = {}
    found: dict[str, list[tuple[str, str]]] = {}
    for session, _, told in archive.roll("indicators").iter_rows():
        if told not in fresh:
            fresh[told] = [
                (keys["serial"], keys["joint"])
                for keys in keys_of_roll("indicators", told)
                if keys["baseline"] == baseline and keys["method"] == METHOD
            ]
        if fresh[told] and session in there:
            found[session] = fresh[told]
    return found


def _places(
    known: dict[str, list[tuple[str, str]]],
    records: dict[str, Session],
    wanted: Sequence[str],
    order: Sequence[str],
) -> dict[str, list[tuple[str, str]]]:
    """Return, per unit, the (session, joint) pairs in which it worked, oldest first."""
    places: dict[str, list[tuple[str, str]]] = {}
    asked = set(wanted)
    for session in order:
        if session in known:
            for serial, joint in known[session]:
                if serial:
                    places.setdefault(serial, []).append((session, joint))
        elif session in asked:
            record = records[session]
            for joint in record.joints:
                places.setdefault(record.unit(joint), []).append((session, joint))
    return places


def _motions_of(archive: Archive, session: str, joints: Sequence[str]) -> dict[str, Motions]:
    tables = _tables(archive, session, *joints)
    moving = {joint: moving_rows(tables[joint]) for joint in joints if joint in tables}
    return {
        joint: chunk_means(motion_samples(rows))
        for joint, rows in moving.items()
        if rows is not None
    }


def _tables(archive: Archive, session: str, *joints: str) -> dict[str, pl.DataFrame]:
    try:
        return joint_tables(archive, session, joints or None)
    except DamageError:
        raise
    except JointbookError:
        return {}


def _conditions(record: Session, table: pl.DataFrame) -> dict[str, object]:
    moving = table.filter(pl.col("motion") == "moving")
    rows = moving if moving.height else table
    base = record.base_end
    if base is None:
        words = rows["base_end"].drop_nulls()
        base = words.mode().sort()[0] if len(words) else None
    return {
        "temperature_c": _median(rows["temperature_c"]),
        "load_nm": _median(rows["load_nm"].abs()),
        "rate_deg_s": _median(moving["rate_deg_s"].abs()),
        "payload_kg": _median(rows["payload_kg"]),
        "base_end": base,
    }


def _about(record: Session, joint: str, serial: str, baseline: str) -> dict[str, object]:
    return {
        "session": record.session,
        "arm": record.arm,
        "joint": joint,
        "serial": serial,
        "start": record.start,
        "baseline": baseline,
        "temperature_c": None,
        "load_nm": None,
        "rate_deg_s": None,
        "payload_kg": None,
        "base_end": record.base_end,
        "method": METHOD,
        "reference_stage": 0,
        "posture_told": True,
    }


def _row(m: Measure) -> dict[str, object]:
    return {
        "indicator": m.indicator,
        "unit": m.unit,
        "value": m.value,
        "se": m.se,
        "n": m.n,
        "at": m.at,
        "bracket_low": list(m.low) or None,
        "bracket_high": list(m.high) or None,
    }


def _median(series: pl.Series) -> float | None:
    values = series.cast(pl.Float64).drop_nulls().to_numpy()
    values = values[np.isfinite(values)]
    return float(np.median(values)) if len(values) else None
