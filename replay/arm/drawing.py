"""The arm drawn: its joints, their axes and its tip, from both base ends, as text and as SVG."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape

import numpy as np

from replay.arm.chain import End, chain_from
from replay.arm.description import Arm
from replay.arm.transforms import Array

_SIZE, _EDGE = 340, 46
_AXIS_PX = 22.0
_LABEL_PX = 12.0
VIEWS = (("x", "z", 0, 2), ("y", "z", 1, 2))
"""Two side views: what runs to the right, what runs up, and their places."""


@dataclass(frozen=True, slots=True)
class Skeleton:
    """Places and axes of one posture, in the frame of the base."""

    base: End
    names: tuple[str, ...]
    """Joints from the base outward."""
    place_m: Array
    """(k + 1, 3), the tip last."""
    axis: Array
    """(k, 3)."""
    tip_z: Array
    """(3,), where the tip frame's z looks."""
    payload_m: Array


def skeleton(arm: Arm, base: End, angle_deg: Array | None = None) -> Skeleton:
    """Return what there is to draw.

    Parameters
    ----------
    angle_deg : (k,), optional
        Joints end A first; zero throughout by default.

    Raises
    ------
    ArmFileError
        The arm has no geometry.
    """
    chain = chain_from(arm, base)
    angles = np.zeros(len(arm.joints)) if angle_deg is None else np.radians(angle_deg)
    frames = chain.transforms(angles[list(chain.order)])
    tip = frames[-1]
    return Skeleton(
        base,
        tuple(arm.joints[i].name for i in chain.order),
        np.array([f[:3, 3] for f in frames]),
        np.array([f[:3, 2] for f in frames[:-1]]),
        tip[:3, 2],
        tip[:3, :3] @ np.array(arm.payload_centre_m) + tip[:3, 3],
    )


def as_text(drawn: Skeleton) -> str:
    """Return places and axes as a table for a terminal, base first."""
    lines = [f"end {drawn.base} is the base; places in m, axes as directions, in its frame"]
    lines.append(f"  {'':<12}{'x':>9}{'y':>9}{'z':>9}    turns about")
    for name, place, axis in zip(drawn.names, drawn.place_m, drawn.axis, strict=False):
        lines.append(f"  {name:<12}" + "".join(f"{v:9.3f}" for v in place) + f"    {_way(axis)}")
    tip = "".join(f"{v:9.3f}" for v in drawn.place_m[-1])
    lines.append(f"  {'tip':<12}{tip}    z looks along {_way(drawn.tip_z)}")
    return "\n".join(lines)


def _way(axis: Array) -> str:
    for k, name in enumerate("xyz"):
        if abs(abs(axis[k]) - 1.0) < 1e-6:
            return ("+" if axis[k] > 0 else "-") + name
    return "(" + ", ".join(f"{v:.2f}" for v in axis) + ")"


def as_svg(arm: Arm, angle_deg: Array | None = None) -> str:
    """Return both base ends, each from two sides, as one SVG document."""
    drawings = [skeleton(arm, base, angle_deg) for base in ("A", "B")]
    width, height = 2 * _SIZE, 2 * (_SIZE + 20) + 24
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
        f'width="{width}" height="{height}" font-family="sans-serif" font-size="11">',
        f"<title>{escape(arm.name)}</title>",
        f'<rect width="{width}" height="{height}" fill="white"/>',
        f'<text x="12" y="18" font-size="14">{escape(arm.name)}: joint axes as bars, a dot where '
        "an axis looks at you, the tip's z as a dashed line</text>",
    ]
    for row, drawn in enumerate(drawings):
        for column, view in enumerate(VIEWS):
            out += _panel(drawn, view, column * _SIZE, 24 + row * (_SIZE + 20))
    return "\n".join([*out, "</svg>"]) + "\n"


def _panel(drawn: Skeleton, view: tuple[str, str, int, int], left: int, top: int) -> list[str]:
    across, up, i, k = view
    points = np.vstack([np.zeros(3), drawn.place_m, drawn.payload_m])[:, [i, k]]
    low, high = points.min(axis=0), points.max(axis=0)
    scale = (_SIZE - 2 * _EDGE) / max(float((high - low).max()), 1e-6)
    middle = 0.5 * (low + high)

    def px(place: Array) -> tuple[float, float]:
        x = left + _SIZE / 2 + (place[i] - middle[0]) * scale
        y = top + _SIZE / 2 - (place[k] - middle[1]) * scale + 20
        return round(float(x), 1), round(float(y), 1)

    spine = [px(np.zeros(3)), *(px(p) for p in drawn.place_m)]
    out = [
        f'<text x="{left + 12}" y="{top + 16}" fill="#444">base at end {drawn.base}; {across} to '
        f"the right, {up} up</text>",
        '<polyline fill="none" stroke="#888" stroke-width="3" points="'
        + " ".join(f"{x},{y}" for x, y in spine)
        + '"/>',
    ]
    labels: list[float] = []
    for name, place, axis in zip(drawn.names, drawn.place_m, drawn.axis, strict=False):
        x, y = px(place)
        dx, dy = float(axis[i]) * _AXIS_PX, -float(axis[k]) * _AXIS_PX
        if abs(dx) + abs(dy) < 2.0:
            out.append(f'<circle cx="{x}" cy="{y}" r="5" fill="#1b5e8c"/>')
        else:
            ends = f'x1="{x - dx:.1f}" y1="{y - dy:.1f}" x2="{x + dx:.1f}" y2="{y + dy:.1f}"'
            out.append(f'<line {ends} stroke="#1b5e8c" stroke-width="4"/>')
        level = y - 6
        while any(abs(level - other) < _LABEL_PX for other in labels):
            level -= 1.0
        labels.append(level)
        out.append(f'<text x="{x + 30:.1f}" y="{level:.1f}">{escape(name)}</text>')
    x, y = px(drawn.place_m[-1])
    zx, zy = float(drawn.tip_z[i]) * 1.6 * _AXIS_PX, -float(drawn.tip_z[k]) * 1.6 * _AXIS_PX
    out.append(
        f'<line x1="{x}" y1="{y}" x2="{x + zx:.1f}" y2="{y + zy:.1f}" stroke="#a33" '
        'stroke-width="2" stroke-dasharray="4 3"/>'
    )
    out.append(f'<rect x="{x - 4}" y="{y - 4}" width="8" height="8" fill="#a33"/>')
    px_x, px_y = px(drawn.payload_m)
    out.append(f'<circle cx="{px_x}" cy="{px_y}" r="4" fill="none" stroke="#a33"/>')
    return out
