"""One finding on paper: current beside the expected, rate beside the commanded, brake.

Where the finding is in the angle, the angle stands on top, as it does on the event's page.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import polars as pl

from replay.archive import Archive
from replay.errors import DamageError, JointbookError
from replay.models import Baseline
from replay.records import Session
from replay.reports.drawing.canvas import (
    BAND,
    FAINT,
    INK,
    broken,
    clock_axis,
    drawn,
    mark,
    seconds_since,
)
from replay.reviews import Finding
from replay.signals import joint_table, joint_tables
from replay.units import TIME
from replay.wording import kind_words

LEAST_AROUND_S, SHARE_AROUND = 4.0, 0.6
"""What is shown before and after: this share of the finding's length, and at least so much."""

MOST_ROWS = 4000
"""A longer stretch is drawn from every so many'th sample and says so."""

MOST_JOINTS = 4

IN_THE_ANGLE = ("brake-slip", "angle-sensor")
"""Kinds of finding that are read off the angle, not the current."""


def angle_decides(finding: Finding) -> bool:
    """Tell whether a finding is in the angle."""
    return finding.kind in IN_THE_ANGLE


def finding_plots(
    archive: Archive, record: Session, finding: Finding, number: int, baseline: Baseline | None
) -> list[str]:
    """Return one SVG for each of the finding's joints, the lead's first; at most `MOST_JOINTS`.

    A finding on every joint shows the joints of its record's beginning.
    """
    length_s = (finding.end - finding.start).total_seconds()
    around = timedelta(seconds=max(LEAST_AROUND_S, SHARE_AROUND * length_s))
    start = max(record.start, finding.start - around)
    end = min(record.end, finding.end + around)
    drawings = []
    for joint in (finding.joints or record.joints[:1])[:MOST_JOINTS]:
        try:
            table = joint_table(archive, record.session, joint, start=start, end=end)
        except DamageError:
            raise
        except JointbookError:  # a joint without a current has no table
            continue
        if table.height < 2:
            continue
        expected = expected_current(archive, record, joint, table, baseline, start, end)
        drawings.append(_drawn(record, finding, number, joint, table, expected, start, end))
    return drawings


def expected_current(
    archive: Archive,
    record: Session,
    joint: str,
    table: pl.DataFrame,
    baseline: Baseline | None,
    start: datetime,
    end: datetime,
) -> pl.DataFrame | None:
    """Return the baseline's expectation beside a joint table; None where there is none."""
    unit = record.unit(joint)
    if baseline is None:
        return None
    try:
        arm = (
            joint_tables(archive, record.session, start=start, end=end)
            if baseline.follows_posture(unit)
            else None
        )
        return baseline.expected(table, unit, arm)
    except DamageError:
        raise
    except JointbookError:
        return None


def _drawn(
    record: Session,
    finding: Finding,
    number: int,
    joint: str,
    table: pl.DataFrame,
    expected: pl.DataFrame | None,
    start: datetime,
    end: datetime,
) -> str:
    step = -(-table.height // MOST_ROWS)
    table = table.gather_every(step)
    expected = None if expected is None else expected.gather_every(step)
    t = seconds_since(table[TIME].dt.epoch("ns").to_numpy(), record.start)
    parts = ["angle"] if angle_decides(finding) and table["angle_deg"].count() else []
    parts += ["current"]
    parts += ["rate"] if table["rate_deg_s"].null_count() < table.height else []
    parts += ["brake"] if table["brake_engaged"].null_count() < table.height else []
    thinned = f"; every {step}th sample" if step > 1 else ""

    def paint(figure: Any, axes: Any) -> None:
        for axis, part in zip(axes, parts, strict=True):
            mark(
                axis,
                (finding.start - record.start).total_seconds(),
                (finding.end - record.start).total_seconds(),
                label="finding",
            )
            _PARTS[part](axis, t, table, expected)
            axis.legend(loc="upper left", bbox_to_anchor=(1.0, 1.02), borderaxespad=0.3)
        axes[0].set_title(f"Finding {number}, joint {joint}: {kind_words(finding.kind)}{thinned}")
        low = (start - record.start).total_seconds()
        high = (end - record.start).total_seconds()
        axes[-1].set_xlim(low, high)
        clock_axis(axes[-1], record.start, high - low)

    heights = [{"angle": 1.5, "current": 1.6, "rate": 0.9, "brake": 0.45}[p] for p in parts]
    return drawn(len(parts), sum(heights) / len(parts), paint, height_ratios=heights)


def _angle(axis: Any, t: Any, table: pl.DataFrame, expected: pl.DataFrame | None) -> None:
    axis.plot(*broken(t, table["angle_deg"]), color=INK, label="measured")
    axis.set_ylabel("angle, deg")


def _current(axis: Any, t: Any, table: pl.DataFrame, expected: pl.DataFrame | None) -> None:
    if expected is not None and expected["expected_a"].null_count() < expected.height:
        (at, low), (_, high) = (broken(t, expected[c]) for c in ("low_a", "high_a"))
        axis.fill_between(at, low, high, color=BAND, linewidth=0, label="99 % of healthy")
        axis.plot(*broken(t, expected["expected_a"]), color=FAINT, linestyle="--", label="expected")
    axis.plot(*broken(t, table["current_a"]), color=INK, label="measured")
    axis.set_ylabel("current, A")
    told = [table["current_a"], *([] if expected is None else [expected["expected_a"]])]
    values = pl.concat([s.cast(pl.Float64).alias("a") for s in told]).drop_nulls().drop_nans()
    if values.len():  # a band much wider than what is drawn would hide it
        least, most = values.quantile(0.0) or 0.0, values.quantile(1.0) or 0.0
        room = 0.35 * (most - least) + 0.05
        axis.set_ylim(least - room, most + room)


def _rate(axis: Any, t: Any, table: pl.DataFrame, expected: pl.DataFrame | None) -> None:
    if table["rate_cmd_deg_s"].null_count() < table.height:
        axis.plot(
            *broken(t, table["rate_cmd_deg_s"]),
            color=FAINT,
            linestyle="--",
            drawstyle="steps-post",
            label="commanded",
        )
    axis.plot(*broken(t, table["rate_deg_s"]), color=INK, label="measured")
    axis.set_ylabel("rate, deg/s")


def _brake(axis: Any, t: Any, table: pl.DataFrame, expected: pl.DataFrame | None) -> None:
    engaged = table["brake_engaged"].cast(pl.Float64).to_numpy()
    axis.plot(*broken(t, engaged), color=INK, drawstyle="steps-post", label="brake")
    axis.set_yticks([0, 1], ["released", "engaged"])
    axis.set_ylim(-0.2, 1.2)


_PARTS = {"angle": _angle, "current": _current, "rate": _rate, "brake": _brake}
