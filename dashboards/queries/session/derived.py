"""What is computed beside the logged channels: expected current, residual, load.

A short session is computed whole when a window of it is asked for first, and kept: who
looks about in it asks again every second, and twenty others with him. Of a long one a
short window is computed when it is asked for; all of it once, piece by piece, in the
background, and only the least and the greatest of every block of rows are kept, so that
memory does not grow with the log.

Longer than 245 lines because short and long sessions share what is computed and kept.
"""

from __future__ import annotations

import logging
import threading
import time
from collections import OrderedDict
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from dashboards.failure_words import failure_text
from dashboards.figures.packing import Group, Singles, reduce_columns
from dashboards.links import to_datetime
from dashboards.queries.baselines import newest
from dashboards.queries.session.derived_columns import columns_of, errors_of_loads
from dashboards.queries.session.sessions import Outline
from replay.archive import Archive
from replay.errors import JointbookError
from replay.signals.joints import prepare, table_of
from replay.units import channel

if TYPE_CHECKING:
    from replay.models import Baseline

DIRECT_ROWS = 30_000
"""Rows per joint up to which a window, or a session, is computed at once."""
KEPT_BYTES = 64 << 20
"""Of sessions that were computed whole; the one asked for longest ago goes first."""
AT_A_TIME = 2
"""So many windows and sessions are computed at once: more would only wait for the processor,
and keep everybody else from it."""
PIECE_ROWS = 15_000
"""Rows per joint of one piece of background work: what a window may have to wait for."""
BLOCKS_AT_MOST = 80_000
KEPT_SESSIONS = 3
MAKES_WAY_S = 0.8
"""Background work waits this long after a request that somebody waits for."""
MAKES_WAY_AT_MOST_S = 8.0
"""However many requests come, the next piece of background work waits no longer than this."""
NOBODY_LOOKS_S = 10.0
"""Background work rests when nobody has asked for its session this long."""

_log = logging.getLogger(__name__)
_one_at_a_time = threading.Semaphore(1)


@dataclass(slots=True)
class Blocks:
    """A whole session's derived channels as blocks, filled in the background."""

    pieces: list[Group] = field(default_factory=list)
    share: float = 0.0
    failed: str = ""
    done_s: float = 0.0
    asked_at: float = 0.0
    running: bool = False
    stop: threading.Event = field(default_factory=threading.Event)


@dataclass(slots=True)
class Whole:
    """A short session's derived channels, every instant of them."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    groups: list[Group] | None = None
    bytes: int = 0


class Derived:
    """Derived channels of an archive's sessions; keeps the last few."""

    def __init__(self, archive: Archive) -> None:
        self._archive = archive
        self._kept: OrderedDict[tuple[str, str], Blocks] = OrderedDict()
        self._wholes: OrderedDict[tuple[str, ...], Whole] = OrderedDict()
        self._lock = threading.Lock()
        self._turn = threading.Semaphore(AT_A_TIME)
        self._in_hand = 0.0

    def make_way(self) -> None:
        """Say that somebody waits for a page or for samples: background work lets them pass."""
        self._in_hand = time.monotonic()

    def let_pass(self, blocks: Blocks) -> bool:
        """Wait for people to pass, but not for ever; return whether to go on filling."""
        end = time.monotonic() + MAKES_WAY_AT_MOST_S
        while time.monotonic() < min(end, self._in_hand + MAKES_WAY_S):
            if blocks.stop.wait(0.05):
                break
        return not blocks.stop.is_set() and time.monotonic() - blocks.asked_at <= NOBODY_LOOKS_S

    def window(
        self, found: Outline, start_s: float, end_s: float, columns: int, joints: list[str]
    ) -> tuple[list[Group], float, str]:
        """Return groups of a window, the share done so far, and what went wrong.

        Channels are named as the logged ones: ``J3.expected_a``. A share below
        1 says that the rest is being computed: ask again.
        """
        base, _ = newest(self._archive)
        rate = found.record.rate_hz or 1.0
        if rate * found.length_s <= DIRECT_ROWS:
            groups = _cut(self._whole(found, base), joints, start_s, end_s)
            return [_thin(g, start_s, end_s, columns) for g in groups], 1.0, ""
        if rate * (end_s - start_s) <= DIRECT_ROWS:
            with self._turn:
                groups = self._compute(found, start_s, end_s, joints, base)
            return [_thin(g, start_s, end_s, columns) for g in groups], 1.0, ""
        blocks = self._blocks(found, base)
        joined = _joined(list(blocks.pieces), joints, start_s, end_s)
        groups = [_thin(joined, start_s, end_s, columns)] if joined else []
        return groups, 1.0 if blocks.failed else blocks.share, blocks.failed

    def _whole(self, found: Outline, base: Baseline | None) -> list[Group]:
        """Return a short session's channels, computed once however many ask at a time."""
        key = (found.session, found.record.raw_sha256 or "", base.version if base else "")
        with self._lock:
            held = self._wholes.setdefault(key, Whole())
            self._wholes.move_to_end(key)
        with held.lock:
            if held.groups is None:
                every = [str(j["name"]) for j in found.joints]
                with self._turn:
                    groups = self._compute(found, 0.0, found.length_s + 1e-3, every, base)
                held.bytes = sum(_bytes(group) for group in groups)
                held.groups = groups
                self._drop_oldest()
            return held.groups

    def _drop_oldest(self) -> None:
        with self._lock:
            kept = sum(whole.bytes for whole in self._wholes.values())
            while kept > KEPT_BYTES and len(self._wholes) > 1:
                kept -= self._wholes.popitem(last=False)[1].bytes

    def _blocks(self, found: Outline, base: Baseline | None) -> Blocks:
        key = (found.session, base.version if base else "")
        with self._lock:
            blocks = self._kept.get(key)
            if blocks is None:
                blocks = self._kept[key] = Blocks()
            blocks.asked_at = time.monotonic()
            if not blocks.running and blocks.share < 1 and not blocks.failed:
                blocks.running = True
                threading.Thread(
                    target=self._fill, args=(blocks, found, base), daemon=True, name=f"derive {key}"
                ).start()
            self._kept.move_to_end(key)
            while len(self._kept) > KEPT_SESSIONS:
                self._kept.popitem(last=False)[1].stop.set()
        return blocks

    def _fill(self, blocks: Blocks, found: Outline, base: Baseline | None) -> None:
        rate = found.record.rate_hz or max(found.record.rows / found.length_s, 1e-3)
        per_block = max(8, int(rate * found.length_s / BLOCKS_AT_MOST) + 1)
        step_s = PIECE_ROWS / rate
        joints = [j["name"] for j in found.joints]
        edges = np.arange(blocks.done_s, found.length_s + step_s, step_s)
        with _one_at_a_time:
            for start_s, end_s in pairwise(edges):
                if not self.let_pass(blocks):
                    blocks.running = False  # goes on here when somebody asks again
                    return
                try:
                    pieces = self._compute(found, start_s, end_s, joints, base)
                except JointbookError as error:
                    blocks.failed = failure_text(error)
                    return
                except Exception as error:
                    _log.exception("derived channels of %s", found.session)
                    blocks.failed = failure_text(error)
                    return
                for piece in pieces:
                    n = max(1, int(np.ceil(piece.t_s.size / per_block)))
                    blocks.pieces.append(_thin(piece, start_s, end_s, n))
                blocks.done_s = float(end_s)
                blocks.share = min(1.0, blocks.done_s / found.length_s)
        blocks.share = 1.0

    def _compute(
        self,
        found: Outline,
        start_s: float,
        end_s: float,
        joints: list[str],
        base: Baseline | None,
    ) -> list[Group]:
        ready = prepare(  # of all joints: those without a current are left out
            self._archive,
            found.session,
            start=to_datetime(found.zero_ns + int(start_s * 1e9)),
            end=to_datetime(found.zero_ns + int(np.ceil(end_s * 1e6)) * 1000),
        )
        tables = {name: table_of(ready, name) for name in ready.joints}
        together: dict[bytes, tuple[pl.Series, dict[str, Singles]]] = {}
        errors: dict[bytes, dict[str, dict[str, Singles]]] = {}
        for joint, table in tables.items():
            if not table.height or joint not in joints:
                continue
            unit = found.record.unit(joint)
            columns = columns_of(table, unit, base, tables, rate=not found.has(joint, "rate_deg_s"))
            time = table["t_s"]
            key = time.to_numpy().tobytes()
            if "load_nm" in columns and ready.postures is not None:
                if key not in errors:
                    errors[key] = errors_of_loads(table, ready.postures)
                columns |= errors[key].get(joint, {})
            held = together.setdefault(key, (time, {}))[1]
            held.update({channel(joint, name): values for name, values in columns.items()})
        return [
            reduce_columns(time.to_numpy(), series, start_s, end_s, time.len() + 1)
            for time, series in together.values()
        ]


def _bytes(group: Group) -> int:
    arrays = {id(side): side for both in group.series.values() for side in both}
    return int(group.t_s.nbytes + sum(side.nbytes for side in arrays.values()))


def _cut(groups: list[Group], joints: list[str], start_s: float, end_s: float) -> list[Group]:
    """Return what some joints' channels of samples are within a window."""
    cut = []
    for group in groups:
        first, last = np.searchsorted(group.t_s, (start_s, end_s))
        inside = slice(int(first), int(last))
        kept = {
            n: v[inside] for n, (v, _) in group.series.items() if n.rpartition(".")[0] in joints
        }
        series = {name: (values, values) for name, values in kept.items()}  # one array: samples
        if series and last > first:
            cut.append(Group(group.t_s[inside], series, True, group.step_s))
    return cut


def _thin(group: Group, start_s: float, end_s: float, columns: int) -> Group:
    """Return the group with at most one instant a column, extremes kept."""
    if group.t_s.size <= columns:
        return group
    low = reduce_columns(
        group.t_s, {k: v for k, (v, _) in group.series.items()}, start_s, end_s, columns
    )
    if group.samples:
        return low
    high = reduce_columns(
        group.t_s, {k: v for k, (_, v) in group.series.items()}, start_s, end_s, columns
    )
    both = {k: (low.series[k][0], high.series[k][1]) for k in low.series}
    return Group(low.t_s, both, False, low.step_s)


def _joined(pieces: list[Group], joints: list[str], start_s: float, end_s: float) -> Group | None:
    """Return the blocks of a window as one group."""
    inside = [p for p in pieces if p.t_s.size and p.t_s[0] < end_s and p.t_s[-1] >= start_s]
    if not inside:
        return None
    names = {n for p in inside for n in p.series if n.rpartition(".")[0] in joints}
    t_s = np.concatenate([p.t_s for p in inside])
    keep = (t_s >= start_s) & (t_s < end_s)
    series = {}
    for name in sorted(names):
        parts = [p.series.get(name, _hole(p.t_s.size)) for p in inside]
        low, high = (np.concatenate([p[side] for p in parts])[keep] for side in (0, 1))
        series[name] = (low, high)
    step = inside[0].step_s
    return Group(t_s[keep], series, False, step) if keep.any() else None


def _hole(n: int) -> tuple[Singles, Singles]:
    nothing = np.full(n, np.nan, np.float32)
    return nothing, nothing
