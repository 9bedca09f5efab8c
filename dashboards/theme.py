"""Colours, shapes and their meaning, for light and dark.

The joint colours have the hues of Okabe and Ito (Color Universal Design, 2008),
made for all kinds of colour vision, darker in light and lighter in dark.
Colour never stands alone: every joint also has a mark, every severity a shape
and a word.
"""

from __future__ import annotations

from typing import Final

MARKS: Final = ("circle", "square", "triangle", "diamond", "cross", "wedge", "ring")
"""One mark a joint place, in the arm's order; drawn along its line. A joint's line is solid
everywhere: dashes say what a line is (expected, commanded, another day), never whose."""

LIGHT: Final[dict[str, str]] = {
    "paper": "#f6f3ec",
    "sheet": "#fffdf8",
    "rule": "#d9d2c3",
    "ink": "#1d2530",
    "faint": "#5a6270",
    "accent": "#00598c",
    "on-accent": "#ffffff",
    "note": "#40607a",
    "look": "#8a5300",
    "act": "#a63a00",
    "span": "rgba(213, 94, 0, 0.13)",
    "band": "rgba(0, 114, 178, 0.16)",
    "cursor": "#1d2530",
}
DARK: Final[dict[str, str]] = {
    "paper": "#14181e",
    "sheet": "#1b2129",
    "rule": "#39424e",
    "ink": "#ece7dc",
    "faint": "#a9b0bb",
    "accent": "#7cc4f0",
    "on-accent": "#10161c",
    "note": "#9cc3de",
    "look": "#f0b440",
    "act": "#ff9a66",
    "span": "rgba(230, 159, 0, 0.17)",
    "band": "rgba(86, 180, 233, 0.20)",
    "cursor": "#fff6df",
}

_JOINTS_LIGHT = ("#005a94", "#ad4000", "#008f62", "#c9649f", "#b87f00", "#2b93cc", "#000000")
"""As dark as it takes to stand 3:1 or more against paper and sheet (WCAG 2.2, 1.4.11)."""
_JOINTS_DARK = ("#4b9fe0", "#f0803c", "#2cc296", "#e2a3c6", "#f2b42e", "#93d4fb", "#f5f1e6")
"""The same hues as in light, lighter: a joint keeps its colour when the theme turns."""

SEVERITY_SHAPES: Final = {"note": "›", "look": "››", "act": "›››"}
"""Shape beside the word and the colour; never colour alone. One more stroke a step, and none of
them a joint's mark: a severity was read as the joint whose mark it had."""


def joint_colour(index: int, *, dark: bool = False) -> str:
    """Return the colour of the joint at a place of the arm, from 0."""
    colours = _JOINTS_DARK if dark else _JOINTS_LIGHT
    return colours[index % len(colours)]


def joint_mark(index: int) -> str:
    """Return the name of the mark of the joint at a place of the arm.

    With more joints than colours, a colour comes again with another mark.
    """
    return MARKS[(index + index // len(MARKS)) % len(MARKS)]


def css() -> str:
    """Return the style sheet that gives the colours their names.

    ``--ink``, ``--sheet`` and so on; joints are ``--joint-0`` to ``--joint-6``.
    """

    def block(tokens: dict[str, str], joints: tuple[str, ...]) -> str:
        pairs = [f"--{k}: {v};" for k, v in tokens.items()]
        pairs += [f"--joint-{i}: {c};" for i, c in enumerate(joints)]
        return " ".join(pairs)

    light, dark = block(LIGHT, _JOINTS_LIGHT), block(DARK, _JOINTS_DARK)
    return (
        f":root {{ color-scheme: light; {light} }}\n"
        f"@media (prefers-color-scheme: dark) {{ :root:not([data-theme=light]) "
        f"{{ color-scheme: dark; {dark} }} }}\n"
        f":root[data-theme=dark] {{ color-scheme: dark; {dark} }}\n"
    )


def plotly_layout(*, dark: bool = False) -> dict[str, object]:
    """Return layout settings that make a Plotly figure belong to the theme.

    Backgrounds are clear, so that one figure sits well on both themes; text
    takes the faint ink of the theme asked for.
    """
    tokens = DARK if dark else LIGHT
    axis = {"gridcolor": tokens["rule"], "zerolinecolor": tokens["rule"], "linecolor": "#8a8f98"}
    joints = _JOINTS_DARK if dark else _JOINTS_LIGHT
    return {
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {"family": "system-ui, sans-serif", "size": 12, "color": tokens["ink"]},
        "colorway": list(joints),
        "xaxis": axis,
        "yaxis": axis,
        "margin": {"l": 56, "r": 16, "t": 28, "b": 40},
        "hoverlabel": {"bgcolor": tokens["sheet"], "font": {"color": tokens["ink"]}},
    }
