"""A whole session on one plot: each joint's angle, or current, with the findings in it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from replay.archive import Archive
from replay.records import Session
from replay.reports.drawing.canvas import INK, broken, clock_axis, drawn, mark, seconds_since
from replay.reviews import Finding
from replay.units import channel

MOST_POINTS = 1200
"""Per joint: twice what a printed line of 17 cm can tell apart."""

_NAMES = {"angle_deg": ("Joint angles", "deg"), "current_a": ("Motor currents", "A")}


def session_plot(
    archive: Archive, record: Session, quantity: str, findings: Sequence[Finding]
) -> str | None:
    """Return an SVG of one quantity of every joint; None where none was logged.

    Of many samples the least and the greatest of each stretch are drawn, so
    that no peak is missing. Findings carry their number in the report.
    """
    held = {c for names in record.channels.values() for c in names}
    joints = [j for j in record.joints if channel(j, quantity) in held]
    if not joints:
        return None
    names = [channel(j, quantity) for j in joints]
    points = archive.window(record.session, names, max_points=MOST_POINTS)
    title, unit = _NAMES[quantity]
    length_s = (record.end - record.start).total_seconds()

    def paint(figure: Any, axes: Any) -> None:
        for axis, joint, name in zip(axes, joints, names, strict=True):
            time_ns, values = points[name]
            t = seconds_since(time_ns, record.start)
            bucket_s = 2 * length_s / MOST_POINTS if len(t) >= MOST_POINTS else 0.0
            axis.plot(*broken(t, values, least_s=2.5 * bucket_s), color=INK, linewidth=0.6)
            axis.set_ylabel(f"{joint}\n{unit}", rotation=0, ha="right", va="center")
            axis.locator_params(axis="y", nbins=3)
            for number, finding in enumerate(findings, 1):
                if finding.joints and joint not in finding.joints:
                    continue
                start_s = (finding.start - record.start).total_seconds()
                mark(axis, start_s, (finding.end - record.start).total_seconds())
                axis.text(
                    start_s, 0.97, f" {number}", transform=axis.get_xaxis_transform(), va="top",
                    fontweight="bold",
                )  # fmt: skip
        axes[0].set_title(f"{title}, {unit}; hatched and numbered: findings")
        axes[-1].set_xlim(0.0, max(length_s, 1e-3))
        clock_axis(axes[-1], record.start, length_s)

    return drawn(len(joints), 0.5, paint)
