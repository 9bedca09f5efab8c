"""Learning a model of every joint unit: folds by session, odd sessions set aside.

Every residual that anything is judged by comes from a fit that did not see its
session.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from replay.archive import Archive
from replay.errors import BaselineError
from replay.models.chains.chain_training import without_fold
from replay.models.grid.blocks import Piece, SessionBlocks
from replay.models.grid.condensing import LADDER_S, choose_filter, condense
from replay.models.loading.grip import gripped
from replay.models.loading.grip_spread import FREE, Spread
from replay.models.loading.payload import Payloads, declared
from replay.models.loading.sources import Source, choose_source
from replay.models.model import (
    Model,
    loads_for,
    payload_of,
    residuals_of,
    usual_grip,
    witnesses,
)
from replay.models.residuals import SessionResiduals
from replay.models.units.all_units import Progress, fit_units
from replay.models.units.unit_rows import Case
from replay.workers import Each, in_turn

FOLDS = 5
READERS = 2

FEWEST_DECLARED = 4
"""Sessions that must declare a load before those of others are estimated."""


@dataclass(frozen=True, slots=True)
class Training:
    """What was learned, and how it judges the sessions that it was learned from."""

    model: Model
    folds: list[Model]
    fold_of: dict[str, int]
    blocks: list[SessionBlocks]

    @property
    def sessions(self) -> tuple[str, ...]:
        """Names of all sessions read."""
        return tuple(b.record.session for b in self.blocks)

    @property
    def set_aside(self) -> dict[str, tuple[str, ...]]:
        """Sessions by unit that stood out and taught nothing."""
        return {s: u.set_aside for s, u in self.model.units.items() if u.set_aside}

    def held(self, grip: Spread) -> list[Model]:
        """Return the folds' models for grips that are off by so much."""
        return [replace(model, grip=grip) for model in self.folds]

    def held_out(self) -> Iterator[SessionResiduals]:
        """Yield each session's residuals by the fit that left it out, in order of reading."""
        for blocks in self.blocks:
            fold = self.fold_of[blocks.record.session]
            yield residuals_of(self.folds[fold], blocks)


def fit(
    archive: Archive,
    sessions: Iterable[str],
    *,
    visit: Callable[[Piece], None] | None = None,
    progress: Progress | None = None,
) -> Training:
    """Learn from sessions of an archive.

    Parameters
    ----------
    archive : Archive
    sessions : iterable of str
        Names of the sessions that teach; what stands out among them is set aside.
    visit : callable, optional
        Sees every piece as it was logged, in order.
    progress : callable, optional
        Called with ``(what, done, total)``.

    Returns
    -------
    Training
        The model, and how it judges each session without having seen it.

    Raises
    ------
    BaselineError
        Nothing to learn from.
    """
    names = sorted(dict.fromkeys(sessions), key=lambda n: (archive.session(n).start, n))
    if not names:
        raise BaselineError("no session to learn from", todo="`jointbook ingest` some logs first")
    filter_s = choose_filter(archive, names)
    blocks: list[SessionBlocks] = []
    with ThreadPoolExecutor(READERS if visit is None else 1) as readers:
        for k, made in enumerate(
            readers.map(lambda n: condense(archive, n, visit, filter_s=filter_s), names)
        ):
            blocks.append(made)
            if progress is not None:
                progress("read", k + 1, len(names))
    return fit_blocks(blocks, progress, filter_s=filter_s)


def fit_blocks(
    blocks: list[SessionBlocks],
    progress: Progress | None = None,
    *,
    filter_s: float = LADDER_S[0],
    each: Each = in_turn,
) -> Training:
    """Learn from sessions that were condensed already.

    Parameters
    ----------
    blocks : list of SessionBlocks
        Condensed with boxes of ``filter_s``, oldest first.
    progress : callable, optional
        Called with ``(what, done, total)``.
    filter_s : float
        Length of the filter's box, s: kept in the model for whatever it judges.
    each : Each
        Who fits the units.

    Returns
    -------
    Training

    Raises
    ------
    BaselineError
        No joint has enough samples with a current.
    """
    count = len(blocks)
    fold_of = {b.record.session: k % min(FOLDS, count) for k, b in enumerate(blocks)}
    payloads = [declared(b) for b in blocks]
    scale = max((float(p.mass_kg.max(initial=0.0)) for p in payloads), default=0.0)
    unknown = [k for k, p in enumerate(payloads) if not p.declared] if scale > 0 else []
    known = [k for k in range(count) if k not in unknown]
    if len(known) < FEWEST_DECLARED:
        known, unknown = list(range(count)), []
    chosen = choose_source([blocks[k] for k in known], [payloads[k] for k in known], fold_of)
    if progress is not None:
        progress("loads", 1, 1)
    if unknown:
        # what declares its load teaches first; the others' loads are estimated by that
        first = _fit_all(
            [blocks[k] for k in known],
            [payloads[k] for k in known],
            fold_of,
            chosen,
            filter_s,
            None,
            each,
        )
        for k in unknown:
            loads = loads_for(blocks[k], first.model.loads, first.model.chain)
            payloads[k] = payload_of(first.model, blocks[k], loads)
    plain = _fit_all(blocks, payloads, fold_of, chosen, filter_s, progress, each)
    grip = usual_grip(
        plain.held(FREE), [fold_of[b.record.session] for b in blocks], blocks, payloads
    )
    if not grip.known:
        return plain
    # once more, with payloads where the first fit found them to be
    return _fit_all(blocks, payloads, fold_of, chosen, filter_s, progress, each, plain.held(grip))


def _fit_all(
    blocks: list[SessionBlocks],
    payloads: list[Payloads],
    fold_of: dict[str, int],
    source: Source,
    filter_s: float,
    progress: Progress | None = None,
    each: Each = in_turn,
    gripping: list[Model] | None = None,
) -> Training:
    """Fit every unit on sessions whose loads are given; by ``gripping`` grips are estimated."""
    cases: dict[str, list[Case]] = {}
    chain = source.chain
    for k, (one, payload) in enumerate(zip(blocks, payloads, strict=True)):
        # each session's loads by the chain that did not see it
        fold = fold_of[one.record.session]
        own = chain if chain is None else without_fold(chain, fold)
        loads = loads_for(one, source.name, own)
        if gripping is not None:
            by = gripping[fold]
            loads = gripped(loads, payload, witnesses(by, one, loads, payload), by.grip)
        for joint in one.joints:
            if np.isfinite(one.joints[joint].current_a).sum() < 20:
                continue
            serial = one.record.unit(joint)
            cases.setdefault(serial, []).append(
                Case(k, one.record.session, joint, one, loads, payload)
            )
    units, by_fold = fit_units(cases, fold_of, each, progress)
    if not units:
        raise BaselineError(
            "no joint has enough samples with a current to learn from",
            todo="choose longer sessions, or more of them",
        )
    grip = gripping[0].grip if gripping is not None else Spread()
    notes = (*source.notes, *filter(None, [grip.words(source.name)]))
    drawn = blocks[0].record.arm_toml if any(u.wades for u in units.values()) else None
    model = Model(units, source.name, filter_s, notes, chain, grip, drawn or "")
    folds = [
        replace(model, units=known, chain=chain if chain is None else without_fold(chain, k))
        for k, known in enumerate(by_fold)
    ]
    return Training(model, folds, fold_of, blocks)
