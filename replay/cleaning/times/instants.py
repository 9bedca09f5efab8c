"""ISO 8601 instants of one width, as most recorders write them, read by columns of digits.

A general parser looks at each row alone. Rows of one width are a matrix of
octets here, and each digit's place is one column of it. Whatever is not
exactly of this form is left to the general parser: nothing is guessed.
"""

from __future__ import annotations

from datetime import date

import numpy as np
import numpy.typing as npt
import polars as pl

from replay.logs.times.timeforms import DAY_NS, SECOND_NS

Ints = npt.NDArray[np.int64]
Octets = npt.NDArray[np.uint8]

_SHORTEST, _LONGEST = 19, 30
_ZERO, _ZULU = ord("0"), ord("Z")
_DIGITS = (0, 1, 2, 3, 5, 6, 8, 9, 11, 12, 14, 15, 17, 18)
_SIGNS = ((4, b"-"), (7, b"-"), (10, b"T "), (13, b":"), (16, b":"))
_EPOCH = date(1970, 1, 1).toordinal()


def even_instants(text: pl.Series) -> tuple[Ints, bool] | None:
    """Return UTC ns since 1970, and whether the zone was written.

    Parameters
    ----------
    text : polars.Series of String
        ``2031-03-01T00:00:00``, with ``T`` or a blank, up to nine decimals and
        ``Z`` or no zone; all rows alike.

    Returns
    -------
    tuple or None
        None when any row is of another form, is null, or states an instant
        that a day of 86,400 seconds does not have.

    Examples
    --------
    >>> ns, zoned = even_instants(pl.Series(["1970-01-01T00:00:01.5Z", "1970-01-02T00:00:00.0Z"]))
    >>> ns.tolist(), zoned
    ([1500000000, 86400000000000], True)
    >>> even_instants(pl.Series(["1970-01-01T00:00:60Z"])) is None
    True
    """
    columns = _columns(text, _SHORTEST, _LONGEST)
    if columns is None:
        return None
    width = len(columns)
    zoned = bool(columns[-1, 0] == _ZULU)
    stop = width - zoned
    places = list(range(20, stop)) if stop > 19 else []
    if stop == 20 or len(places) > 9:
        return None
    signs = [*_SIGNS, *([(19, b".")] if places else []), *([(stop, b"Z")] if zoned else [])]
    if any((columns[k] != columns[k, 0]).any() or columns[k, 0] not in s for k, s in signs):
        return None
    digits = columns - np.uint8(_ZERO)  # below "0" wraps round to far above 9
    if digits[[*_DIGITS, *places]].max() > 9:
        return None
    hour, minute, second = (_pair(digits, k) for k in (11, 14, 17))
    if hour.max() > 23 or minute.max() > 59 or second.max() > 59:
        return None
    days = _days(digits)
    if days is None:
        return None
    of_day = hour.astype(np.int32) * 3600 + minute.astype(np.int32) * 60 + second
    ns = days * DAY_NS + of_day.astype(np.int64) * SECOND_NS
    if places:
        part = np.zeros(len(text), dtype=np.int32)
        for k in places:
            part = part * 10 + digits[k]
        ns += part.astype(np.int64) * 10 ** (9 - len(places))
    return ns, zoned


def even_decimals(text: pl.Series, unit_ns: int) -> Ints | None:
    """Return ns for decimal numbers of one width, such as ``1930089600.250``.

    Parameters
    ----------
    text : polars.Series of String
        Digits with or without one point, at the same place in all rows.
    unit_ns : int
        Nanoseconds that one is.

    Returns
    -------
    ndarray of int or None
        None when a row is of another form, or 64 bits might not hold it.

    Examples
    --------
    >>> even_decimals(pl.Series(["12.50", "13.00"]), 1_000_000_000).tolist()
    [12500000000, 13000000000]
    """
    columns = _columns(text, 1, 28)
    if columns is None:
        return None
    width = len(columns)
    points = np.flatnonzero(columns[:, 0] == ord("."))
    point = int(points[0]) if len(points) else width
    power = len(str(unit_ns)) - 1
    if len(points) > 1 or not 0 < point <= 18 - power or (columns[points] != ord(".")).any():
        return None
    digits = columns - np.uint8(_ZERO)
    places = [k for k in range(width) if k != point]
    if digits[places].max() > 9:
        return None
    ns = np.zeros(len(text), dtype=np.int64)
    for k in [k for k in places if k <= point + power]:
        ns = ns * 10 + digits[k]
    made: Ints = ns * 10 ** max(power - max(width - point - 1, 0), 0)
    return made


def _columns(text: pl.Series, shortest: int, longest: int) -> Octets | None:
    """Return one row for each place in the text, one column for each cell."""
    if not len(text) or text.null_count():
        return None
    width = len(text[0].encode())
    if not shortest <= width <= longest or not (text.str.len_bytes() == width).all():
        return None
    array = text.to_arrow(compat_level=pl.CompatLevel.oldest())
    octets = np.frombuffer(array.buffers()[2], dtype=np.uint8)
    first = int(np.frombuffer(array.buffers()[1], dtype=np.int64)[array.offset])
    rows = octets[first : first + width * len(text)].reshape(len(text), width)
    return np.ascontiguousarray(rows.T)


def _pair(digits: Octets, place: int) -> Octets:
    made: Octets = digits[place] * np.uint8(10) + digits[place + 1]
    return made


def _days(digits: Octets) -> Ints | np.int64 | None:
    """Return days since 1970 for each row; None where the calendar has no such day."""
    century, year, month, day = (_pair(digits, k) for k in (0, 2, 5, 8))
    known = (century.astype(np.int32) * 100 + year) * 10_000 + month.astype(np.int32) * 100 + day
    if known[0] == known[-1] and (known == known[0]).all():
        named, place = known[:1], None
    else:
        named, place = np.unique(known, return_inverse=True)
    try:
        ordinals = [date(n // 10_000, n // 100 % 100, n % 100).toordinal() for n in named.tolist()]
    except ValueError:
        return None
    days = np.array(ordinals, dtype=np.int64) - _EPOCH
    if abs(days).max() > 106_000:  # beyond what 64 bits of ns hold
        return None
    return np.int64(days[0]) if place is None else days[place]
