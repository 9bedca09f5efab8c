"""One way to make a plot for a report: vectors in grey, the same bytes for the same data.

A report is printed, often without colour. So what is measured is a black line,
what is expected a dashed one, a band is light grey, a marked span is hatched,
and nothing is told by colour. Text stays text, in whatever script.
"""

from __future__ import annotations

import io
import threading
import warnings
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
NS_PER_S = 1e9

GAP_STEPS = 3.5
"""As for duty: a longer step is a gap."""

WIDTH_IN = 7.0
"""The text width of an A4 page with margins of 16 mm."""

INK, FAINT, BAND, MARKED = "#000000", "#555555", "#cccccc", "#e9e9e9"

_SETTINGS: Any = {
    "svg.fonttype": "none",  # text stays text: it can be searched and is any script's
    "svg.hashsalt": "jointbook",
    "font.size": 8.0,
    "axes.linewidth": 0.6,
    "axes.edgecolor": FAINT,
    "axes.titlesize": 9.0,
    "axes.titlelocation": "left",
    "axes.grid": True,
    "grid.color": "#dddddd",
    "grid.linewidth": 0.4,
    "lines.linewidth": 0.9,
    "hatch.color": "#999999",
    "hatch.linewidth": 0.4,
    "legend.frameon": False,
    "legend.fontsize": 7.5,
    "text.parse_math": False,  # a joint may be called $1$
}

_settings_lock = threading.Lock()
"""The library's settings are the process's: two threads must not mix theirs."""


def drawn(rows: int, row_in: float, paint: Callable[[Any, Any], None], **options: Any) -> str:
    """Return an SVG of ``rows`` plots under each other that share their time axis.

    Parameters
    ----------
    rows : int
    row_in : float
        Height of one plot, inches.
    paint : callable
        ``paint(figure, axes)`` draws; ``axes`` is an array of ``rows`` axes.
    options
        For `Figure.subplots`.
    """
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    with _settings_lock, rc_context(_SETTINGS), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing")  # the reader's font has it
        figure = Figure(figsize=(WIDTH_IN, 0.9 + rows * row_in), layout="constrained")
        axes = figure.subplots(rows, 1, sharex=True, squeeze=False, **options)[:, 0]
        paint(figure, axes)
        body = io.StringIO()
        figure.savefig(body, format="svg", metadata={"Date": None, "Creator": None})
    return body.getvalue()


def seconds_since(times_ns: npt.NDArray[np.int64], start: datetime) -> Floats:
    """Return instants as seconds since a start."""
    return np.asarray((times_ns - instant_ns(start)) / NS_PER_S, dtype=np.float64)


def instant_ns(instant: datetime) -> int:
    """Return an instant in ns since 1970."""
    return round(instant.timestamp() * 1e6) * 1000


def broken(t: Floats, values: npt.ArrayLike, *, least_s: float = 0.0) -> tuple[Floats, Floats]:
    """Return a line's points with a hole wherever nothing was logged.

    A hole is a step beyond `GAP_STEPS` usual ones, and beyond ``least_s``: a
    line drawn across it would show what nobody measured.

    >>> t, v = broken(np.array([0.0, 1.0, 2.0, 9.0]), [1.0, 1.0, 1.0, 5.0])
    >>> v.tolist()
    [1.0, 1.0, 1.0, nan, 5.0]
    """
    shown = np.asarray(values, dtype=np.float64)
    step = np.diff(t)
    if not step.size:
        return t, shown
    after = np.flatnonzero(step > max(GAP_STEPS * float(np.median(step)), least_s)) + 1
    return np.insert(t, after, t[after - 1]), np.insert(shown, after, np.nan)


def clock_axis(axis: Any, start: datetime, length_s: float) -> None:
    """Label an axis of seconds since ``start`` with UTC clock times."""
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    digits = 0 if length_s > 20 else 1 if length_s > 2 else 3

    def clock(seconds: float, _: object) -> str:
        at = start + timedelta(seconds=round(seconds, 6))
        text = f"{at:%H:%M:%S}"
        return f"{text}.{at.microsecond:06d}"[: len(text) + 1 + digits] if digits else text

    axis.xaxis.set_major_locator(MaxNLocator(8, steps=[1, 1.5, 2, 3, 5, 6, 10]))
    axis.xaxis.set_major_formatter(FuncFormatter(clock))
    axis.set_xlabel(f"UTC, {start:%Y-%m-%d}")


def mark(axis: Any, start_s: float, end_s: float, *, label: str | None = None) -> None:
    """Hatch a span; one shorter than a line is wide is a line."""
    axis.axvspan(start_s, end_s, facecolor=MARKED, hatch="///", linewidth=0, zorder=0, label=label)
    axis.axvline(start_s, color=FAINT, linewidth=0.6, zorder=1)
