"""What happened to a log on its way in, as quality notes a person can read.

Longer than 245 lines because all sentences about a log stand together, so that they speak
alike.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, datetime, timedelta

from replay.cleaning.parts import Part
from replay.cleaning.stream.channels import ChannelPlan
from replay.cleaning.stream.cleaner import StreamCleaner
from replay.cleaning.times.order import Lapse
from replay.logs import scales
from replay.logs.readers.raw import RawLog
from replay.records import QualityNote
from replay.units import JOINT_QUANTITIES, SESSION_QUANTITIES

SET_ASIDE_KINDS = frozenset(
    {
        "short-row",
        "long-row",
        "nul-bytes",
        "cut-row",
        "time",
        "text",
        "unknown-word",
        "contradiction",
        "clock-step",
        "clock-spike",
        "same-name",
        "unknown-packet",
    }
)
"""Notes of these kinds say that a row or a value of the log was set aside."""

ROUTINE_KINDS = frozenset(
    {"unit", "unused", "linear-axis", "angle-wrap", "joint-names", "no-zone", "on-change"}
)
"""Notes of these kinds say what was done because the log map asks for it."""

_MOST_OF_A_KIND = 100
_STUCK_TOLD = 5
"""So many stuck stretches of a channel are told one by one."""
_LONG_NS = 12 * 3600 * 1_000_000_000
"""A longer gap within one log is told as what else it may be."""
_PROBABLE = (1980, 2100)
"""Years that a log of joints may come from."""


def note_level(note: QualityNote) -> str:
    """Return ``set-aside``, ``told`` or ``routine``: what a reader looks at first.

    Parameters
    ----------
    note : QualityNote
        What was found in, or done to, a log.

    Returns
    -------
    str
        The level.

    Examples
    --------
    >>> note_level(QualityNote("unit", "turned from rad"))
    'routine'
    """
    if note.kind in SET_ASIDE_KINDS:
        return "set-aside"
    return "routine" if note.kind in ROUTINE_KINDS else "told"


def routine_last(notes: Iterable[QualityNote]) -> list[QualityNote]:
    """Return the notes in their order, routine ones after all others."""
    return sorted(notes, key=lambda n: n.kind in ROUTINE_KINDS)


def instant(ns: int) -> datetime:
    """Return ns since 1970 as a UTC instant, cut to microseconds."""
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=ns // 1000)


def quality_notes(part: Part, streams: Mapping[str, str] | None = None) -> list[QualityNote]:
    """Return all notes of one file, rows first, then times, then channels.

    ``streams`` are the names that its streams have in the session, by their own; gaps of
    another than ``main`` say in which they are.
    """
    notes = [
        QualityNote(
            a.kind,
            f"{a.detail} (rows {_rows(a.rows, a.count)})" if a.rows else a.detail,
            count=a.count,
        )
        for a in part.raw.set_aside
    ]
    if part.base_note:
        notes.append(QualityNote("base-numbering", part.base_note))
    for inner, cleaner in part.cleaners.items():
        name = (streams or {}).get(inner, "main")
        notes += _row_notes(cleaner)
        notes += _time_notes(cleaner, "" if name == "main" else f" in stream {name}")
        for plan in cleaner.plans:
            if f"{plan.column}#2" in part.raw.columns:
                notes.append(
                    _note(
                        plan,
                        "same-name",
                        f"two columns are called {plan.column!r}: the first was taken, the second "
                        f"set aside (a log map can name it {plan.column + '#2'!r})",
                    )
                )
            notes += _stated_unit(plan, part.raw)
            notes += _value_notes(plan, _noun(cleaner))
        notes += _held_notes(cleaner)
        notes += _statistics_notes(cleaner)
    return notes


def _stated_unit(plan: ChannelPlan, raw: RawLog) -> Iterator[QualityNote]:
    """Tell where the log itself states another unit than the log map."""
    said = raw.units.get(plan.column)
    stated = None if said is None else scales.find(said)
    if stated is not None and plan.unit is not None and stated.unit != plan.unit:
        yield _note(
            plan,
            "unit-contradiction",
            f"column {plan.column!r} is in {said} by the log's row of units and in {plan.unit} by "
            "the log map; the log map was followed",
        )


def _row_notes(cleaner: StreamCleaner) -> Iterator[QualityNote]:
    if cleaner.last_row_dropped is not None:
        yield QualityNote(
            "cut-row",
            "the file does not end in a line end, so its last row may be cut: row "
            f"{cleaner.last_row_dropped} was set aside",
        )
    bad = cleaner.bad_times
    if bad.count:
        yield QualityNote(
            "time",
            f"no time of the form {cleaner.clock.entry.format} in rows "
            f"{_rows(bad.rows, bad.count)}: {', '.join(cleaner.bad_time_words[:3])}; set aside",
            channel="time",
            count=bad.count,
        )


def _time_notes(cleaner: StreamCleaner, where: str = "") -> Iterator[QualityNote]:
    order = cleaner.orderer
    back_s = order.largest_set_back_ns / 1e9
    if _is_long(cleaner):
        repeated = "rows repeated an earlier row of their channel and were left out"
        other = "an earlier row of their channel had, with another value"
    else:
        repeated = "rows repeated the row before them and were left out"
        other = "another row had, with other values"
    for kind, lapse, text in (
        ("reordered", order.reordered, "rows came late and were put in their place"),
        ("duplicate", order.duplicates, repeated),
        (
            "contradiction",
            order.contradictions,
            f"rows had an instant that {other}; the first was kept",
        ),
        ("joined-rows", order.joined, "rows said what another row of their instant left open"),
        (
            "clock-step",
            order.set_back,
            f"rows were set aside: the clock was set back by up to {back_s:g} s, to times already "
            "past",
        ),
        ("clock-spike", order.spikes, "rows had a time far from their neighbours'; set aside"),
    ):
        if lapse.count and not (kind == "joined-rows" and cleaner.raw.joint_rows):
            yield _lapse_note(kind, lapse, text)
    clock = cleaner.clock
    if clock.leap_seconds:
        yield QualityNote(
            "leap-second",
            "second 60 and the one before it share one second of the times kept, which count no "
            "leap seconds: instants there are up to a second early",
            channel="time",
            count=clock.leap_seconds,
        )
    if clock.no_zone and clock.entry.scale == "UTC":
        yield QualityNote(
            "no-zone",
            "times carry no zone; taken as UTC"
            + (", as the log map says" if clock.entry.scale_stated else ""),
            channel="time",
            count=clock.no_zone,
        )
        if not clock.entry.scale_stated:
            yield QualityNote(
                "time-scale",
                "neither the times nor the log map say which scale they count in; UTC was assumed "
                '([time] scale = "UTC", "TAI" or "GPS" states it)',
                channel="time",
            )
    if clock.scale != "UTC":
        yield QualityNote(
            "time-scale", f"times were turned from {clock.scale} into UTC", channel="time"
        )
    for ns in (cleaner.first_ns, cleaner.last_ns):
        if ns is not None and not _PROBABLE[0] <= instant(ns).year <= _PROBABLE[1]:
            yield QualityNote(
                "improbable-date",
                f"the log has times of the year {instant(ns).year}: the recorder's clock was not "
                "set, or [time] format is not what the log counts in",
                channel="time",
                start=instant(ns),
                end=instant(ns),
            )
            break
    if cleaner.last_ns is not None and clock.beyond_leap_table(cleaner.last_ns):
        yield QualityNote(
            "time-scale",
            "the log is later than the leap second table; a leap second since would shift it",
            channel="time",
        )
    for gap in cleaner.gaps[:_MOST_OF_A_KIND]:
        yield QualityNote(
            "gap",
            f"{gap.missing} samples missing{where} against one in {cleaner.nominal_ns / 1e9:g} s"
            + ("; or the clock was set here" if gap.end_ns - gap.start_ns > _LONG_NS else ""),
            start=instant(gap.start_ns),
            end=instant(gap.end_ns),
            count=gap.missing,
        )
    more = cleaner.gap_count - len(cleaner.gaps[:_MOST_OF_A_KIND])
    if more > 0:
        yield QualityNote("gap", f"{more} more gaps{where}", count=more)


def _lapse_note(kind: str, lapse: Lapse, text: str) -> QualityNote:
    return QualityNote(
        kind,
        f"{lapse.count} {text} (rows {_rows(lapse.rows, lapse.count)})",
        channel="time",
        start=instant(lapse.first_ns),
        end=instant(lapse.last_ns),
        count=lapse.count,
    )


def _value_notes(plan: ChannelPlan, noun: str) -> Iterator[QualityNote]:
    if plan.text_counts:
        total = sum(plan.text_counts.values())
        words = ", ".join(f"{w!r} {n} times" for w, n in plan.text_counts.most_common(5))
        kind = "text" if plan.number else "unknown-word"
        what = "no number" if plan.number else "no word that the log map knows"
        yield _note(
            plan,
            kind,
            f"{noun} {plan.column!r}: {words}: {what}, kept as null "
            f"(first in row {plan.text_first_row})",
            count=total,
        )
    for word, count in plan.sentinel_counts.items():
        if count:
            yield _note(
                plan,
                "sentinel",
                f"{noun} {plan.column!r}: {word} stands for no value, kept as null",
                count=count,
            )
    if plan.linear:
        yield _note(
            plan,
            "linear-axis",
            f"{noun} {plan.column!r} is in {plan.unit}: a linear axis, kept 1 mm as 1 deg",
        )
    elif plan.factor != 1.0 or plan.offset != 0.0:
        yield _note(
            plan,
            "unit",
            f"{noun} {plan.column!r} was turned from {plan.unit}: times {plan.factor:.12g}"
            + (f", plus {plan.offset:.12g}" if plan.offset else ""),
        )


def _held_notes(cleaner: StreamCleaner) -> Iterator[QualityNote]:
    for plan in cleaner.plans:
        held = cleaner.held.get(plan.name)
        if held is None or not held.filled:
            continue
        longest = held.longest_ns / 1e9
        bound = f", for {longest:.3g} s at the most" if math.isfinite(longest) else ""
        yield _note(
            plan,
            "on-change",
            f"{_noun(cleaner)} {plan.column!r} is written when it changes: between, it is what was "
            f"written last{bound}",
            count=held.filled,
        )


def _statistics_notes(cleaner: StreamCleaner) -> Iterator[QualityNote]:
    for plan in cleaner.plans:
        statistic = cleaner.statistics.get(plan.name)
        if statistic is None:
            nulls = cleaner.nulls_out[plan.name]
            if nulls and nulls == cleaner.rows_out and not plan.text_counts:
                yield _empty(plan, _noun(cleaner))
            continue
        if statistic.count == 0:
            yield _empty(plan, _noun(cleaner))
            continue
        if statistic.wraps:
            yield _note(
                plan,
                "angle-wrap",
                f"the angle wraps; {statistic.wraps} crossings were unwrapped, and it starts "
                "in the turn that the log starts in",
                start=instant(statistic.wrap_first),
                end=instant(statistic.wrap_last),
                count=statistic.wraps,
            )
        if plan.quantity in ("current_a", "rate_deg_s", "angle_deg"):
            stuck = statistic.stuck()
            for start, end, samples, value in stuck[:_STUCK_TOLD]:
                yield _note(
                    plan,
                    "stuck",
                    f"{samples} samples all say exactly {value:g}",
                    start=instant(start),
                    end=instant(end),
                    count=samples,
                )
            if len(stuck) > _STUCK_TOLD:
                more = len(stuck) - _STUCK_TOLD
                yield _note(plan, "stuck", f"{more} more runs of one value", count=more)
        if plan.quantity == "current_a":
            for value, samples in statistic.rails():
                yield _note(
                    plan,
                    "saturated",
                    f"{samples} samples lie exactly on the extreme value {value:g}",
                    count=samples,
                )
        if statistic.step_count:
            yield _note(
                plan,
                "step",
                _step_words(plan, statistic.step_count, statistic.largest_step),
                start=instant(statistic.steps[0]),
                end=instant(statistic.steps[-1]),
                count=statistic.step_count,
            )


def _step_words(plan: ChannelPlan, count: int, largest: float) -> str:
    """Say how many changes were too large, and how large, in the unit that is kept."""
    known = JOINT_QUANTITIES.get(plan.quantity) or SESSION_QUANTITIES.get(plan.quantity)
    unit = "" if known is None else known.unit.replace("degC", "°C")
    size = f"{largest:g} {unit}".rstrip()
    if count == 1:
        return f"1 change too large for one sample, {size}; values are kept"
    return f"{count} changes too large for one sample, the largest {size}; values are kept"


def _empty(plan: ChannelPlan, noun: str) -> QualityNote:
    return _note(plan, "empty", f"{noun} {plan.column!r} holds no value")


def _noun(cleaner: StreamCleaner) -> str:
    """Return what the log calls the place of a quantity."""
    return "channel" if _is_long(cleaner) else "column"


def _is_long(cleaner: StreamCleaner) -> bool:
    return cleaner.raw.kind.endswith("-long")


def _note(
    plan: ChannelPlan,
    kind: str,
    detail: str,
    *,
    start: datetime | None = None,
    end: datetime | None = None,
    count: int = 1,
) -> QualityNote:
    return QualityNote(kind, detail, plan.joint, plan.name, start, end, count)


def _rows(rows: list[int] | tuple[int, ...], count: int) -> str:
    shown = ", ".join(str(r) for r in rows[:5])
    return shown + (", ..." if count > min(len(rows), 5) else "")
