"""A time span between two things that were each only seen between two samples."""

from __future__ import annotations

from dataclasses import dataclass

NARROW = 0.5
"""A span counts as measured when its interval is at most this share of its middle."""


@dataclass(frozen=True, slots=True)
class Span:
    """A duration in seconds as the sampling allows it to be known.

    ``status`` is ``measured`` (then ``value_s`` is the middle), ``interval``
    (only the bounds count) or ``not measurable`` (it may be nothing at all:
    shorter than the sampling can show), ``never`` when the second thing did
    not come; then ``high_s`` is None and ``low_s`` how long it was waited for.
    """

    low_s: float
    high_s: float | None
    status: str

    @property
    def value_s(self) -> float | None:
        """Return the duration where it was measured, else None."""
        if self.status != "measured" or self.high_s is None:
            return None
        return (self.low_s + self.high_s) / 2


def span(
    first_after_s: float, first_by_s: float, second_after_s: float, second_by_s: float
) -> Span:
    """Return the span from a first change to a second.

    Each change came after one sample (``*_after_s``) and was there at the
    next (``*_by_s``); only that much is known of when it happened.
    """
    low = max(second_after_s - first_by_s, 0.0)
    high = max(second_by_s - first_after_s, 0.0)
    if low <= 0.0:
        return Span(0.0, high, "not measurable")
    narrow = high - low <= NARROW * (high + low) / 2
    return Span(low, high, "measured" if narrow else "interval")


def never(first_by_s: float, last_seen_s: float) -> Span:
    """Return the span to something that did not come while it was looked for."""
    return Span(max(last_seen_s - first_by_s, 0.0), None, "never")
