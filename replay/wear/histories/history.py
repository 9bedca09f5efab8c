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

from replay.wear.assessment.change_points import Shape, shape
from replay.wear.catalogue import USE_AXES, describe
from replay.wear.histories.aggregation import aggregated, numbers_of, sorted_parts
from replay.wear.histories.brackets import Brackets, brackets_of
from replay.wear.histories.covariate_adjustment import SEASON, Adjusted, adjust
from replay.wear.histories.sections import sections_of, splits_of
from replay.wear.histories.session_weights import session_weights
from replay.wear.histories.temperature_law import Laws, TemperatureLaw
from replay.wear.reference.withheld import OF_CURRENT

Floats = npt.NDArray[np.float64]
YEAR_US = 365.25 * 86400e6

CONDITIONS = ("temperature_c", "load_nm", "rate_deg_s", "base_b")


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
    sections: npt.NDArray[np.int64]
    """Number of the stretch between two maintenance works."""
    adjusted: Adjusted
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
        What `temperature_laws` gave, from all units.
    """
    frame = table.filter(pl.col("value").is_finite())
    if not frame.height:
        return
    frame = frame.with_columns(
        pl.col("start").dt.timestamp("us").alias("start_us"),
        (pl.col("base_end") == "B").cast(pl.Float64).alias("base_b"),
    )
    axis_unit = "year"
    if against != "time":
        axis_unit = USE_AXES[against][1]
        frame = frame.join(use, on=["serial", "session"], how="inner", maintain_order="left")
    splits = splits_of(notes)
    columns = ["value", "se", *CONDITIONS]
    # the words that are not needed would be copied into every part
    kept_back = {"at", "baseline", "base_end", "payload_kg", "n", "method", "reference_stage"}
    frame = frame.drop(*kept_back, strict=False)
    for part in sorted_parts(frame, "start_us", "session"):
        start = part["start_us"].to_numpy()
        serial = part["serial"][0]
        sections, kept = sections_of(start, splits.get(serial, []))
        part, start, sections = part.slice(kept), start[kept:], sections[kept:]
        data = {c: part[c].cast(pl.Float64).to_numpy() for c in columns}
        data = {c: np.where(np.isfinite(v), v, np.nan) for c, v in data.items()}
        if against == "time":
            axis = (start - start[0]) / YEAR_US
        else:
            axis = part["use"].to_numpy() / USE_AXES[against][2]
        weights = session_weights(axis, data["value"], data["se"], sections)
        yield History(
            serial=serial,
            arm=part["arm"][-1],
            joint=part["joint"][-1],
            indicator=part["indicator"][0],
            unit=part["unit"][-1],
            start_us=start,
            axis=axis,
            axis_unit=axis_unit,
            values=data["value"],
            se=data["se"],
            sections=sections,
            adjusted=_adjust_twice(
                axis,
                data["value"],
                {c: data[c] for c in CONDITIONS} | _season(part, start),
                weights,
                sections,
                usual,
                (laws or {}).get((serial, part["indicator"][0])),
            ),
            brackets=brackets_of(part),
            posture_told=_posture_told(part),
        )


def _season(part: pl.DataFrame, start: npt.NDArray[np.int64]) -> dict[str, Floats]:
    """Return the year's course for a current whose temperature is not known, else nothing.

    Friction follows the season all the same, and over a year or less that passes for
    wear. Where temperature is logged it explains the season, and no free term is added.
    """
    known = part["temperature_c"].is_not_null().mean()
    if float(known or 0.0) >= 0.5 or describe(part["indicator"][0]).name not in OF_CURRENT:  # type: ignore[arg-type]
        return {}
    turn = 2 * np.pi * (start - start[0]) / YEAR_US
    return dict(zip(SEASON, (np.sin(turn), np.cos(turn)), strict=True))


def _posture_told(part: pl.DataFrame) -> bool:
    of_current = describe(part["indicator"][0]).name in OF_CURRENT
    return not (of_current and part["posture_told"][-1] is False)


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


def _adjust_twice(
    axis: Floats,
    values: Floats,
    conditions: dict[str, Floats],
    weights: Floats | None,
    sections: npt.NDArray[np.int64],
    usual: Mapping[str, float] | None = None,
    law: TemperatureLaw | None = None,
) -> Adjusted:
    """Correct for conditions, see how the level moved, and correct again knowing it.

    The first time the level may bend: beside a straight trend, a season would be
    made out of the bend. The second time it has the shape that was seen.
    """

    def corrected(course: Floats | None) -> Adjusted:
        return adjust(
            axis,
            values,
            conditions,
            weights=weights,
            sections=sections,
            course=course,
            usual=usual,
            law=law,
        )

    x = (axis - axis.mean()) / (float(np.ptp(axis)) or 1.0)
    once = corrected((x * x)[:, None])
    if not once.terms:
        return once
    t, y, _, own = aggregated(axis, once.values, None, sections)
    return corrected(_course(axis, shape(t, _on_one_level(y, own))))


def _course(axis: Floats, moved: Shape) -> Floats | None:
    """Return columns that follow a shape's steps or bend."""
    if moved.word == "steps":
        return np.column_stack([(axis >= at).astype(float) for at in moved.steps])
    if moved.word == "bend" and moved.since is not None:
        return np.maximum(axis - moved.since, 0.0)[:, None]
    return None


def _on_one_level(values: Floats, sections: npt.NDArray[np.int64]) -> Floats:
    out = values.copy()
    for number in numbers_of(sections):
        own = sections == number
        out[own] -= np.median(out[own])
    return out
