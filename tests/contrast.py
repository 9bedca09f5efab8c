"""The contrast of a colour laid on a ground, as WCAG 2.2 defines it."""

from __future__ import annotations


def contrast(colour: str, opacity: float, ground: str) -> float:
    """Return the contrast of a colour, ``#rrggbb`` or ``rgba()``, laid on a ground.

    >>> round(contrast("#ffffff", 1.0, "#000000"), 6), contrast("#123456", 0.0, "#123456")
    (21.0, 1.0)
    """
    if colour.startswith("#"):
        rgb = [int(colour[i : i + 2], 16) for i in (1, 3, 5)]
    else:
        *rgb, alpha = (float(v) for v in colour.removeprefix("rgba(").rstrip(")").split(","))
        opacity *= alpha
    under = [int(ground[i : i + 2], 16) for i in (1, 3, 5)]
    mixed = [opacity * a + (1 - opacity) * b for a, b in zip(rgb, under, strict=True)]

    def luminance(c: list[float]) -> float:
        parts = [v / 255 for v in c]
        parts = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in parts]
        return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]

    low, high = sorted((luminance(mixed), luminance(under)))
    return (high + 0.05) / (low + 0.05)
