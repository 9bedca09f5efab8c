"""A history: one indicator of one unit over its sessions, made comparable.

The unit is the hardware, known by serial number; when the arm walks or a unit
moves to another place its history goes with it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt
import polars as pl

from replay.wear.catalogue import USE_AXES, describe
from replay.wear.histories.brackets import Brackets, brackets_of
from replay.wear.histories.covariate_adjustment import SEASON, Adjusted
from replay.wear.histories.covariate_rounds import adjust_twice
from replay.wear.histories.kind_law import Laws
from replay.wear.histories.missing_conditions import filled
from replay.wear.histories.parting import Rows, last_of, rows_of_histories
from replay.wear.histories.sections import sections_of, splits_of
from replay.wear.histories.session_weights import session_weights
from replay.wear.reference.withheld import OF_CURRENT

Floats = npt.NDArray[np.float64]
YEAR_US = 365.25 * 86400e6

CONDITIONS = ("temperature_c", "load_nm", "rate_deg_s", "base_b")

_READ = (
    *("session", "arm", "joint", "serial", "indicator", "unit", "value", "se", "start"),
    *(*CONDITIONS[:-1], "base_end", "posture_told", "bracket_low", "bracket_high"),
)


@dataclass(frozen=True, slots=True)
class History:
    """One indicator of one unit, one entry a session, oldest first."""

    serial: str
    arm: str
    joint: str
    """The place where the unit was last seen."""
    indicator: str
    unit: str
    start_us: npt.NDArray[np.int64]
    """Session starts, microseconds since 1970."""
    axis: Floats
    """What the trend is drawn against: years, or use in `axis_unit`."""
    axis_unit: str
    values: Floats
    """As measured."""
    se: Floats
    """Standard errors; NaN where unknown."""
    error: Floats
    """The same, with what is not known of the conditions."""
    sections: npt.NDArray[np.int64]
    """Number of the stretch between two maintenance works."""
    adjusted: Adjusted
    chances: Floats | None = None
    """Of offsets that sessions share, as other units of the kind have them."""
    brackets: Brackets | None = None
    """Each event's delay as the sampling brackets it; None for what is no delay."""
    posture_told: bool = True
    """Whether no load that nothing tells passes for it; see `Reference.posture_told`."""

    @property
    def n(self) -> int:
        """Number of sessions."""
        return len(self.values)

    @property
    def shown_axis(self) -> tuple[float, str]:
        """By what the axis is multiplied to be read, and its unit: turns before thousands."""
        if self.axis_unit.startswith("1000 ") and float(np.max(self.axis)) < 1.0:
            return 1000.0, self.axis_unit.removeprefix("1000 ")
        return 1.0, self.axis_unit

    def when(self, index: int) -> datetime:
        """Return the start of a session as an instant."""
        return instant(int(self.start_us[index]))


def instant(microseconds: int) -> datetime:
    """Return an instant from microseconds since 1970."""
    value: datetime = pl.Series([microseconds]).cast(pl.Datetime("us", "UTC")).item()
    return value


def histories(
    table: pl.DataFrame,
    notes: pl.DataFrame,
    *,
    against: str = "time",
    use: pl.DataFrame,
    usual: Mapping[str, float] | None = None,
    laws: Laws | None = None,
) -> Iterator[History]:
    """Yield the histories that an indicator table holds.

    Parameters
    ----------
    table : DataFrame
        Rows of the archive's ``indicators`` table.
    notes : DataFrame
        Maintenance notes.
    against : {"time", "travel", "brake-cycles", "work"}
    use : DataFrame
        What `use_so_far` gave for this axis: serial, session, use.
    usual : mapping, optional
        The conditions to bring the values to, where not each history's medians.
    laws : mapping, optional
        What `kind_laws` gave, from all units.
    """
    frame = table.select(_READ).filter(pl.col("value").is_finite())
    if not frame.height:
        return
    frame = frame.with_columns(
        pl.col("start").dt.timestamp("us").alias("start_us"),
        (pl.col("base_end") == "B").cast(pl.Float64).alias("base_b"),
        pl.col("value", "se", *CONDITIONS[:-1]).cast(pl.Float64),
    )
    axis_unit = "year"
    if against != "time":
        axis_unit = USE_AXES[against][1]
        frame = frame.join(use, on=["serial", "session"], how="inner", maintain_order="left")
    splits = splits_of(notes)
    data = {c: _known(frame[c].to_numpy()) for c in ("value", "se", *CONDITIONS)}
    starts = frame["start_us"].to_numpy()
    use_of = None if against == "time" else frame["use"].to_numpy() / USE_AXES[against][2]
    unbracketed = frame["bracket_low"].is_null().to_numpy()
    for serial, name, rows in rows_of_histories(frame, "start_us", "session"):
        sections, kept = sections_of(starts[rows], splits.get(serial, []))
        sections, rows = sections[kept:], _after(rows, kept)
        start = starts[rows]
        own = {c: v[rows] for c, v in data.items()}
        last = last_of(rows)
        years = (start - start[0]) / YEAR_US
        axis = years if use_of is None else use_of[rows]
        conditions, unsure = filled(years, own["value"], {c: own[c] for c in CONDITIONS})
        error = np.sqrt(own["se"] ** 2 + unsure) if unsure.any() else own["se"]
        weights = session_weights(axis, own["value"], error, sections)
        law = (laws or {}).get((serial, name))
        yield History(
            serial=serial,
            arm=frame["arm"][last],
            joint=frame["joint"][last],
            indicator=name,
            unit=frame["unit"][last],
            start_us=start,
            axis=axis,
            axis_unit=axis_unit,
            values=own["value"],
            se=own["se"],
            error=error,
            sections=sections,
            adjusted=adjust_twice(
                axis,
                own["value"],
                conditions | _season(name, own["temperature_c"], start),
                weights,
                sections,
                usual,
                law,
            ),
            chances=None if law is None else law.chances,
            brackets=None if unbracketed[rows].any() else brackets_of(frame[rows]),
            posture_told=not (
                describe(name).name in OF_CURRENT and frame["posture_told"][last] is False
            ),
        )


def _after(rows: Rows, kept: int) -> Rows:
    return slice(rows.start + kept, rows.stop) if isinstance(rows, slice) else rows[kept:]


def _known(values: Floats) -> Floats:
    """Return the values, NaN where they are not finite."""
    finite = np.isfinite(values)
    return values if finite.all() else np.where(finite, values, np.nan)


def _season(
    indicator: str, temperature_c: Floats, start: npt.NDArray[np.int64]
) -> dict[str, Floats]:
    """Return the year's course for a current whose temperature is not known, else nothing.

    Friction follows the season all the same, and over a year or less that passes for
    wear. Where temperature is logged it explains the season, and no free term is added.
    """
    if np.isfinite(temperature_c).mean() >= 0.5 or describe(indicator).name not in OF_CURRENT:
        return {}
    turn = 2 * np.pi * (start - start[0]) / YEAR_US
    return dict(zip(SEASON, (np.sin(turn), np.cos(turn)), strict=True))


def use_so_far(table: pl.DataFrame, against: str) -> pl.DataFrame:
    """Return what each unit had done when each session began.

    Columns serial, session, use (in the counting indicator's own unit).
    """
    name = USE_AXES[against][0]
    rows = table.filter(pl.col("indicator") == name).sort("serial", "start", "session")
    return rows.select(
        "serial",
        "session",
        (pl.col("value").fill_nan(0).cum_sum().over("serial") - pl.col("value").fill_nan(0)).alias(
            "use"
        ),
    )
