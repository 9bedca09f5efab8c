"""Series for the browser: pixel columns or samples, packed as plain bytes.

A window's series are either its samples, when few enough, or per pixel column
the least and the greatest value, so that no spike is lost however far out one
looks. Series that share their instants form a group. The browser reads::

    4 bytes   length of the header, little endian
    header    JSON, padded with blanks to a multiple of 8
    body      arrays, little endian: float64 instants, float32 values
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import orjson

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Points = tuple[npt.NDArray[np.int64], Singles]


@dataclass(frozen=True, slots=True)
class Group:
    """Series on the same instants.

    ``t_s`` are seconds since the session's start, rising; ``series`` maps a
    channel to its least and greatest value at each of them (one and the same
    array where these are samples). NaN is a hole; a least above the greatest
    (``inf``, ``-inf``) says that nothing fell into this column. ``step_s`` is
    the usual distance of neighbours: a much longer one is a gap.
    """

    t_s: Floats
    series: Mapping[str, tuple[Singles, Singles]]
    samples: bool
    step_s: float


def group_points(
    points: Mapping[str, Points], *, zero_ns: int, start_ns: int, end_ns: int, columns: int
) -> list[Group]:
    """Group channels' points; those with more points than columns are reduced.

    Parameters
    ----------
    points : mapping of channel to (int64 ns since 1970, float32 values)
        As `Archive.window` gives them; instants rise or are equal.
    zero_ns : int
        The session's start.
    start_ns, end_ns : int
        The window that the columns divide.
    columns : int
        Pixel columns of the window.
    """
    made: dict[bytes, tuple[Floats, dict[str, tuple[Singles, Singles]]]] = {}
    reduced: dict[str, tuple[Singles, Singles]] = {}
    for name, (time_ns, values) in points.items():
        if values.size > columns:
            t_s = (time_ns - start_ns) / 1e9
            reduced[name] = _columns(t_s, values, (end_ns - start_ns) / 1e9, columns)
        else:
            t_s = (time_ns - zero_ns) / 1e9
            made.setdefault(t_s.tobytes(), (t_s, {}))[1][name] = (values, values)
    groups = [Group(t_s, series, True, _usual_step(t_s)) for t_s, series in made.values()]
    if reduced:
        width = (end_ns - start_ns) / 1e9 / columns
        centres = (start_ns - zero_ns) / 1e9 + (np.arange(columns, dtype=np.float64) + 0.5) * width
        groups.append(Group(centres, reduced, False, _usual_filled(reduced) * width))
    return groups


def reduce_columns(
    t_s: Floats, values: Mapping[str, Singles], start_s: float, end_s: float, columns: int
) -> Group:
    """Return one group of channels on shared instants, reduced if need be."""
    if t_s.size <= columns:
        return Group(t_s, {k: (v, v) for k, v in values.items()}, True, _usual_step(t_s))
    place = _place(t_s, start_s, end_s, columns)
    first = np.flatnonzero(np.diff(place, prepend=-1))
    series = {
        name: (np.fmin.reduceat(v, first), np.fmax.reduceat(v, first)) for name, v in values.items()
    }
    centres = start_s + (place[first] + 0.5) * (end_s - start_s) / columns
    return Group(centres, series, False, _usual_step(centres))


def pack(groups: list[Group], **header: Any) -> bytes:
    """Return the bytes that the browser reads; see the module's text."""
    body = bytearray()
    described = [
        {
            "n": int(group.t_s.size),
            "samples": group.samples,
            "step": group.step_s,
            "t": _put(body, group.t_s.astype("<f8")),
            "series": {
                name: [_put(body, low)] if high is low else [_put(body, low), _put(body, high)]
                for name, (low, high) in group.series.items()
            },
        }
        for group in groups
    ]
    text = orjson.dumps({**header, "groups": described}, option=orjson.OPT_SERIALIZE_NUMPY)
    text += b" " * (-(len(text) + 4) % 8)
    return len(text).to_bytes(4, "little") + text + bytes(body)


def _put(body: bytearray, array: npt.NDArray[Any]) -> int:
    """Append an array and return where it begins; float32 unless float64."""
    body.extend(b"\0" * (-len(body) % 8))
    at = len(body)
    if array.dtype != np.dtype("<f8"):
        array = array.astype("<f4", copy=False)
    body.extend(np.ascontiguousarray(array).data.cast("B"))
    return at


def _columns(
    t_s: Floats, values: Singles, length_s: float, columns: int
) -> tuple[Singles, Singles]:
    """Return the least and the greatest of every column, filled or not."""
    place = _place(t_s, 0.0, length_s, columns)
    first = np.flatnonzero(np.diff(place, prepend=-1))
    low = np.full(columns, np.inf, np.float32)
    high = np.full(columns, -np.inf, np.float32)
    low[place[first]] = np.fmin.reduceat(values, first)
    high[place[first]] = np.fmax.reduceat(values, first)
    return low, high


def _usual_filled(series: Mapping[str, tuple[Singles, Singles]]) -> float:
    """Return the usual distance of filled columns, in columns."""
    filled = np.flatnonzero(np.any([low <= high for low, high in series.values()], axis=0))
    return float(np.median(np.diff(filled))) if filled.size > 1 else 1.0


def _place(t_s: Floats, start_s: float, end_s: float, columns: int) -> npt.NDArray[np.int64]:
    share = (t_s - start_s) * (columns / max(end_s - start_s, 1e-9))
    return np.clip(share.astype(np.int64), 0, columns - 1)


def _usual_step(t_s: Floats) -> float:
    return float(np.median(np.diff(t_s))) if t_s.size > 1 else 0.0
