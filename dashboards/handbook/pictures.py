"""Small drawings of the handbook: sketches, no data. One list of strokes each.

Longer than 245 lines because it is a table of drawings.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from dashboards import theme

Point = tuple[float, float]
WIDE, HIGH = 240, 96
LEFT, RIGHT, FLOOR = 12.0, 232.0, 84.0


def picture(name: str, *, dark: bool = False) -> str:
    """Return a drawing as SVG, in the light or the dark colours.

    Raises
    ------
    KeyError
        No picture of that name.
    """
    words, strokes = PICTURES[name]
    ink = theme.DARK if dark else theme.LIGHT
    colours = {"ink": ink["ink"], "faint": ink["faint"], "act": ink["act"], "band": ink["band"]}
    colours |= {"mark": theme.joint_colour(0, dark=dark), "span": ink["span"]}
    body = "".join(stroke(colours) for stroke in strokes)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDE} {HIGH}" role="img">'
        f"<title>{words}</title>{body}</svg>"
    )


def words_of(name: str) -> str:
    """Return what a drawing shows, for who cannot see it."""
    return PICTURES[name][0]


Stroke = Callable[[dict[str, str]], str]


def _line(
    points: Sequence[Point], ink: str = "ink", width: float = 1.8, dash: str = "", fill: str = ""
) -> Stroke:
    path = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)

    def draw(colours: dict[str, str]) -> str:
        shape = "polygon" if fill else "polyline"
        style = f'fill="{colours[fill]}"' if fill else f'fill="none" stroke="{colours[ink]}"'
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        return f'<{shape} points="{path}" {style} stroke-width="{width}"{dashed}/>'

    return draw


def _curve(y: Callable[[float], float], ink: str = "ink", **more: object) -> Stroke:
    """Draw y(u), u from 0 to 1, 1 at the top of the drawing."""
    points = [(LEFT + u / 80 * (RIGHT - LEFT), FLOOR - 68 * y(u / 80)) for u in range(81)]
    return _line(points, ink, **more)  # type: ignore[arg-type]


def _dots(points: Sequence[Point], ink: str = "mark", size: float = 2.6) -> Stroke:
    def draw(colours: dict[str, str]) -> str:
        return "".join(
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{size}" fill="{colours[ink]}"/>'
            for x, y in points
        )

    return draw


def _text(x: float, y: float, words: str, ink: str = "faint") -> Stroke:
    return lambda colours: (
        f'<text x="{x}" y="{y}" font-family="system-ui,sans-serif" font-size="10" '
        f'fill="{colours[ink]}">{words}</text>'
    )


def _between(a: float, b: float) -> Stroke:
    return _line([(a, 8), (b, 8), (b, FLOOR), (a, FLOOR)], fill="span")


def _rise(u: float, at: float, wide: float) -> float:
    return min(max((u - at) / wide, 0.0), 1.0)


def _plateau(high: float, ink: str, width: float) -> Stroke:
    return _curve(lambda u: 0.1 + high * _rise(u, 0.15, 0.1), ink, width=width)


AXIS = _line([(LEFT, 6), (LEFT, FLOOR), (RIGHT, FLOOR)], "faint", width=1)
_WAVE = 0.06


def _wave(u: float) -> float:
    return _WAVE * math.sin(37 * u) * math.cos(11 * u)


_STEP = [
    AXIS,
    _between(110, 200),
    _curve(lambda u: 0.35, "faint", dash="4 3", width=1.2),
    _curve(lambda u: 0.35 + 0.32 * (0.45 < u < 0.85) + _wave(u), "mark"),
    _text(120, 20, "more than expected"),
]
_FRICTION = [
    AXIS,
    _line([(LEFT, 46), (RIGHT, 46)], "faint", width=1),
    _line([(16, 70), (118, 60), (122, 60), (126, 32), (228, 22)], "mark"),
    _line([(16, 80), (118, 70), (122, 70), (126, 22), (228, 12)], "act", dash="5 3"),
    _text(150, 80, "rate →"),
    _text(18, 16, "current"),
]
_DELAY = [
    AXIS,
    _line([(LEFT, 26), (70, 26), (70, 12), (RIGHT, 12)], "ink"),
    _line([(LEFT, 74), (128, 74), (180, 44), (RIGHT, 40)], "mark"),
    _line([(70, 86), (70, 8)], "faint", dash="3 3", width=1),
    _line([(128, 86), (128, 8)], "faint", dash="3 3", width=1),
    _text(78, 62, "delay"),
    _text(134, 24, "word"),
    _text(190, 58, "motion"),
]
_TREND_DOTS = [(20.0 + 11 * n, 70 - 2.1 * n + 5 * math.sin(n * 2.3)) for n in range(19)]

PICTURES: dict[str, tuple[str, list[Stroke]]] = {
    "session": (
        "One operation: work, rest and work on one clock from start to end",
        [
            AXIS,
            _curve(lambda u: 0.3 + 0.4 * abs(math.sin(6 * u)) * (u < 0.4 or u > 0.55), "mark"),
            _text(16, 94, "start"),
            _text(206, 94, "end"),
        ],
    ),
    "arm": (
        "An arm of links and joints from end A to end B",
        [
            _line([(20, 78), (60, 40), (112, 30), (160, 52), (214, 38)], "ink", width=4),
            _dots([(20, 78), (60, 40), (112, 30), (160, 52), (214, 38)], "mark", 5),
            _text(8, 94, "end A"),
            _text(204, 26, "end B"),
            _text(52, 30, "J2"),
        ],
    ),
    "states": (
        "Current nearly nothing while held, small while holding, larger while moving",
        [
            AXIS,
            _line(
                [(12, 80), (80, 80), (80, 66), (140, 66), (140, 26), (230, 28)], "mark", width=2.2
            ),
            _text(28, 74, "held"),
            _text(88, 60, "holding"),
            _text(164, 20, "moving"),
        ],
    ),
    "step": ("A current that steps above what is expected, and back", _STEP),
    "slip": (
        "The angle leaves its place while the brake is engaged, and stays where it went",
        [
            AXIS,
            _between(96, 168),
            _line([(12, 14), (228, 14)], "ink", width=6),
            _curve(lambda u: 0.15 + 0.4 * _rise(u, 0.38, 0.33) + _wave(u) * 0.3, "mark"),
            _text(16, 30, "brake engaged"),
            _text(98, 94, "onset to end"),
        ],
    ),
    "delay": ("A word, and the motion some time after it", _DELAY),
    "band": (
        "A current within its band, the expected current in the middle",
        [
            AXIS,
            _line(
                [(LEFT + 2.75 * n, 56 - 18 * math.sin(n / 12) - 12) for n in range(81)]
                + [(LEFT + 2.75 * n, 56 - 18 * math.sin(n / 12) + 12) for n in range(80, -1, -1)],
                fill="band",
            ),
            _line(
                [(LEFT + 2.75 * n, 56 - 18 * math.sin(n / 12)) for n in range(81)],
                "faint", dash="4 3", width=1.2,
            ),
            _line(
                [
                    (LEFT + 2.75 * n, 56 - 18 * math.sin(n / 12) + 60 * _wave(n / 80))
                    for n in range(81)
                ],
                "mark",
            ),
        ],
    ),
    "residual": (
        "The residual: nothing but noise, then a step",
        [
            AXIS,
            _between(128, 200),
            _line([(LEFT, 58), (RIGHT, 58)], "faint", dash="4 3", width=1),
            _curve(lambda u: 0.38 + 0.35 * (0.53 < u < 0.86) + _wave(u), "mark"),
        ],
    ),
    "flag": (
        "A score above its limit for a stretch: an event",
        [
            AXIS,
            _between(120, 178),
            _line([(LEFT, 36), (RIGHT, 36)], "act", width=1.4),
            _curve(lambda u: 0.22 + 0.62 * math.exp(-(((u - 0.62) / 0.09) ** 2)) + _wave(u)),
            _text(18, 30, "limit"),
        ],
    ),
    "trend": (
        "One dot a session, a line through them",
        [AXIS, _dots(_TREND_DOTS), _line([(20, 71), (220, 31)], "ink")],
    ),
    "fan": (
        "A trend continued to its limit, with the fan of its interval",
        [
            AXIS,
            _line([(130, 50), (228, 8), (228, 52)], fill="band"),
            _dots(_TREND_DOTS[:11]),
            _line([(20, 71), (130, 50), (228, 30)], "ink"),
            _line([(LEFT, 24), (RIGHT, 24)], "act", width=1.4),
            _text(18, 20, "limit"),
        ],
    ),
    "margin": (
        "Available torque above required torque",
        [
            _line([(60, 84), (60, 16), (100, 16), (100, 84)], fill="band"),
            _line([(140, 84), (140, 50), (180, 50), (180, 84)], fill="span"),
            _line([(30, 84), (210, 84)], "faint"),
            _text(56, 94, "available"),
            _text(138, 94, "required"),
        ],
    ),
    "severity": (
        "Circle for note, diamond for look, triangle for act",
        [
            _text(40, 52, "› note", "ink"),
            _text(100, 52, "›› look", "ink"),
            _text(160, 52, "››› act", "act"),
        ],
    ),
    "score": (
        "Rarer events are fewer: a falling line of counts over the score, with its limit",
        [
            AXIS,
            _line([(20, 12), (120, 52), (220, 80)], "mark"),
            _line([(150, 8), (150, FLOOR)], "act", width=1.4),
            _text(156, 20, "limit"),
            _text(170, 94, "score →"),
        ],
    ),
    "rate": (
        "Observed rates with their intervals beside the rate asked for",
        [
            AXIS,
            _line([(16, 82), (228, 10)], "faint", dash="4 3"),
            *[_line([(x, y - 14), (x, y + 12)]) for x, y in ((60, 64), (120, 50), (180, 30))],
            _dots([(60, 66), (120, 48), (180, 26)]),
        ],
    ),
    "pin": (
        "A pin at an instant of a curve",
        [
            AXIS,
            _curve(lambda u: 0.4 + 0.25 * math.sin(7 * u), "mark"),
            _line([(120, 8), (120, FLOOR)], "ink", dash="3 3", width=1.2),
            _text(126, 18, "⚲1 noise heard", "ink"),
        ],
    ),
    "gap": (
        "Samples, a stretch without any, samples again",
        [
            AXIS,
            _between(110, 165),
            _dots(
                [
                    (LEFT + 6 * n, 50 - 20 * math.sin(n / 5))
                    for n in range(1, 37)
                    if not 16 < n < 26
                ]
            ),
        ],
    ),
    "streams": (
        "Two channels of different rates on one clock",
        [
            AXIS,
            _dots([(LEFT + 7 * n, 30 - 10 * math.sin(n / 4)) for n in range(1, 32)]),
            _dots([(LEFT + 28 * n, 68 - 8 * math.sin(n)) for n in range(1, 8)], "ink", 3.4),
        ],
    ),
    "overlay": (
        "The same motion on other days, and the one in question above them",
        [
            AXIS,
            *[_plateau(a, "faint", 1) for a in (0.42, 0.45, 0.48)],
            _curve(lambda u: 0.1 + 0.78 * _rise(u, 0.15, 0.1) + _wave(u) * 0.5, "mark", width=2.4),
        ],
    ),
    "friction": ("Current over rate: a step at zero, then a slope; dashed: more", _FRICTION),
    "stickslip": (
        "The joint stops and jumps on, the current rising before each jump",
        [
            AXIS,
            _curve(lambda u: 0.55 + 0.35 * ((u * 5) % 1), "mark"),
            _curve(lambda u: 0.06 + 0.3 * (math.floor(u * 5) / 5), "ink"),
        ],
    ),
    "stall": (
        "Commanded rate goes on, the rate falls to nothing and the current rises",
        [
            AXIS,
            _line([(12, 60), (228, 60)], "faint", dash="4 3"),
            _line([(12, 61), (120, 61), (140, 82), (228, 82)], "ink"),
            _line([(12, 44), (120, 44), (150, 14), (228, 14)], "mark"),
        ],
    ),
    "offset": (
        "The current is off by the same amount in both directions and at rest",
        [
            AXIS,
            _line([(12, 50), (80, 50), (80, 70), (150, 70), (150, 30), (228, 30)], "faint"),
            _line([(12, 36), (80, 36), (80, 56), (150, 56), (150, 16), (228, 16)], "mark"),
        ],
    ),
    "anglestep": (
        "An angle that jumps while nothing moved",
        [AXIS, _line([(12, 66), (118, 62), (119, 26), (228, 22)], "mark")],
    ),
    "ripple": (
        "A ripple on the current, as often as the gear's own order",
        [AXIS, _curve(lambda u: 0.5 + 0.16 * math.sin(60 * u), "mark")],
    ),
    "backlash": (
        "After a reversal the angle goes on a little before the current changes sign",
        [
            AXIS,
            _line([(12, 28), (100, 28), (128, 28), (132, 68), (228, 68)], "mark"),
            _line([(100, 86), (100, 8)], "faint", dash="3 3", width=1),
            _line([(130, 86), (130, 8)], "faint", dash="3 3", width=1),
            _text(102, 94, "play"),
        ],
    ),
    "blind": (
        "A region that training never had has no band",
        [
            AXIS,
            _line([(16, 40), (120, 34), (120, 64), (16, 70)], fill="band"),
            _curve(lambda u: 0.45 + 0.1 * math.sin(9 * u), "mark"),
            _text(138, 22, "never learned"),
        ],
    ),
}  # fmt: skip
