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

TOUCHING = 0.025
"""Numbers that begin within this share of the time axis would lie on each other."""

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
            at: list[tuple[float, int]] = []
            for number, finding in enumerate(findings, 1):
                if finding.joints and joint not in finding.joints:
                    continue
                start_s = (finding.start - record.start).total_seconds()
                at.append((start_s, number))
                mark(axis, start_s, (finding.end - record.start).total_seconds())
            for start_s, told in side_by_side(at, TOUCHING * length_s):
                axis.text(  # above the plot: inside it lies on the line that it speaks of
                    start_s, 1.0, told, transform=axis.get_xaxis_transform(), va="bottom",
                    fontsize=7.0, fontweight="bold",
                )  # fmt: skip
        axes[0].set_title(
            f"{title}, {unit}; hatched and numbered: findings", pad=14.0 if findings else None
        )
        axes[-1].set_xlim(0.0, max(length_s, 1e-3))
        clock_axis(axes[-1], record.start, length_s)

    return drawn(len(joints), 0.6 if findings else 0.5, paint)


def side_by_side(numbers: Sequence[tuple[float, int]], touching: float) -> list[tuple[float, str]]:
    """Return where numbers are written; those that would touch stand in one place, in a row.

    >>> side_by_side([(10.0, 1), (300.0, 2), (12.0, 3)], 5.0)
    [(10.0, '1, 3'), (300.0, '2')]
    """
    places: list[tuple[float, list[int]]] = []
    for at, number in sorted(numbers):
        if places and at - places[-1][0] <= touching:
            places[-1][1].append(number)
        else:
            places.append((at, [number]))
    return [(at, ", ".join(map(str, sorted(told)))) for at, told in places]
