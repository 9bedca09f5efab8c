"""Every session's indicators, measured once and kept in the ``indicators`` table."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from datetime import datetime

import numpy as np
import polars as pl

from replay.archive import Archive
from replay.errors import JointbookError
from replay.records import Session
from replay.signals import joint_tables
from replay.wear.measures.friction import fit_friction, friction_measures
from replay.wear.measures.measure import Measure, column
from replay.wear.measures.use import use_measures

METHOD = 1
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
}

USUAL_RATES = "wear/usual-rates.json"
BATCH = 50
"""Sessions per commit: a commit costs more than a session's measures."""

Wrap = Callable[[list[str]], Iterable[str]]


def indicators(
    archive: Archive,
    sessions: Iterable[str] | None = None,
    *,
    progress: Wrap | None = None,
) -> pl.DataFrame:
    """Return the indicator table, measuring the sessions that it lacks.

    Parameters
    ----------
    archive : Archive
    sessions : iterable of str, optional
        All by default. A session is measured when it is not in the table yet,
        or was measured with another baseline or an older method.
    progress : callable, optional
        Takes the list of sessions to measure and returns an iterable of them.

    Returns
    -------
    DataFrame
        Columns of `SCHEMA`; a row is one indicator of one unit in one session.
    """
    catalogue = archive.sessions()
    if not catalogue.height:
        return pl.DataFrame(schema=SCHEMA)
    wanted = list(catalogue["session"] if sessions is None else sessions)
    baseline = newest_baseline(archive)
    table = archive.table("indicators")
    fresh: set[str] = set()
    if table.height and "method" in table.columns:
        same = (pl.col("baseline") == baseline) & (pl.col("method") == METHOD)
        fresh = set(table.filter(same)["session"].unique())
    todo = [s for s in wanted if s not in fresh]
    if todo:
        usual = _read_usual(archive)
        held: list[pl.DataFrame] = []
        names: list[str] = []
        for name in progress(todo) if progress else todo:
            held.append(measure_session(archive, name, usual, baseline))
            names.append(name)
            if len(names) == BATCH:
                _store(archive, held, names, usual)
                held, names = [], []
        if names:
            _store(archive, held, names, usual)
        table = archive.table("indicators")
    if not table.height:
        return pl.DataFrame(schema=SCHEMA)
    table = table.select(list(SCHEMA)).filter(pl.col("indicator") != NOTHING)
    return table if sessions is None else table.filter(pl.col("session").is_in(wanted))


NOTHING = "nothing"
"""Marks a session that was looked at and gave no indicator."""


def measure_session(
    archive: Archive, session: str, usual: dict[str, float], baseline: str
) -> pl.DataFrame:
    """Return the indicator rows of one session; ``usual`` gains new units' rates."""
    record = archive.session(session)
    rows: list[dict[str, object]] = []
    try:
        tables = joint_tables(archive, session)
    except JointbookError:
        tables = {}
    for joint, table in tables.items():
        serial = unit_of(record, joint)
        about = _conditions(record, joint, serial, table, baseline)
        rows += [about | _row(m) for m in measure_joint(table, serial, usual)]
    if not rows:
        mark = Measure(NOTHING, "", float("nan"), float("nan"), 0, None)
        rows = [_about(record, "", "", baseline) | _row(mark)]
    return pl.DataFrame(rows, schema=SCHEMA)


def measure_joint(table: pl.DataFrame, serial: str, usual: dict[str, float]) -> list[Measure]:
    """Return the measures of one joint table."""
    found: list[Measure] = []
    fit = fit_friction(table)
    if fit is not None:
        if serial not in usual:
            rate = np.abs(column(table, "rate_deg_s")[fit.rows])
            usual[serial] = float(f"{np.median(rate):.3g}")
        found += friction_measures(fit, usual[serial])
    found += use_measures(table)
    return found


def unit_of(record: Session, joint: str) -> str:
    """Return the serial of the unit at a joint; arm and joint where none is known."""
    return record.units.get(joint) or f"{record.arm} {joint}".strip()


def newest_baseline(archive: Archive) -> str:
    """Return the version of the newest baseline; empty when there is none."""
    names = [n for n in archive.documents("baselines") if n.endswith(".json")]
    versions = [n.rsplit("/", 1)[-1].removesuffix(".json") for n in names]
    return max(versions, key=_baseline_number, default="")


def _baseline_number(version: str) -> tuple[int, str]:
    digits = version.split("-")[0].lstrip("b")
    return (int(digits) if digits.isdigit() else -1, version)


def _conditions(
    record: Session, joint: str, serial: str, table: pl.DataFrame, baseline: str
) -> dict[str, object]:
    moving = table.filter(pl.col("motion") == "moving")
    rows = moving if moving.height else table
    base = record.base_end
    if base is None:
        words = rows["base_end"].drop_nulls()
        base = words.mode().sort()[0] if len(words) else None
    return _about(record, joint, serial, baseline) | {
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
    }


def _row(m: Measure) -> dict[str, object]:
    at: datetime | None = m.at
    return {
        "indicator": m.indicator,
        "unit": m.unit,
        "value": m.value,
        "se": m.se,
        "n": m.n,
        "at": at,
    }


def _median(series: pl.Series) -> float | None:
    value = series.cast(pl.Float64).fill_nan(None).median()
    return None if value is None else float(value)  # type: ignore[arg-type]


def _store(
    archive: Archive, held: list[pl.DataFrame], names: list[str], usual: dict[str, float]
) -> None:
    archive.write_document(USUAL_RATES, json.dumps(usual, sort_keys=True, indent=1).encode())
    archive.replace("indicators", pl.concat(held), session=names)


def _read_usual(archive: Archive) -> dict[str, float]:
    if USUAL_RATES not in archive.documents("wear"):
        return {}
    return {k: float(v) for k, v in json.loads(archive.read_document(USUAL_RATES)).items()}
