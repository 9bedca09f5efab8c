"""Where loads come from: the arm file where it fits, else a chain from the logs, else none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

from replay.models.chains.chain_training import ChainModel, learn_chain
from replay.models.conditions import base_of
from replay.models.grid.blocks import (
    SessionBlocks,
)
from replay.models.loading.loads import FROM_FILE, IDENTIFIED, NONE, arm_file_loads
from replay.models.loading.payload import Payloads
from replay.models.residuals import (
    SLIDING,
    Floats,
)
from replay.settings import setting
from replay.statistics.spread import spread_about_zero

WRONG_SHARE = 0.3
"""Share of the joints whose loads must misfit before an arm file is refused."""


@dataclass(frozen=True, slots=True)
class Source:
    """Where loads come from, the chain if one was learned, and what is to be said of it."""

    name: str
    chain: ChainModel | None
    notes: tuple[str, ...] = ()


def choose_source(
    blocks: Sequence[SessionBlocks], payloads: Sequence[Payloads], fold_of: dict[str, int]
) -> Source:
    """Return the arm file's loads where they fit, else an identified chain, else none."""
    if all(arm_file_loads(b) is not None for b in blocks):
        misfits = arm_file_misfits(blocks, payloads)
        wrong = [text for base, text in sorted(misfits.items()) if text]
        if not wrong:
            return Source(FROM_FILE, None)
        chain = _chain(blocks, payloads, fold_of)
        told = "; loads come from a chain identified from the logs" if chain else ""
        return Source(IDENTIFIED if chain else FROM_FILE, chain, tuple(f"{w}{told}" for w in wrong))
    chain = _chain(blocks, payloads, fold_of)
    return Source(IDENTIFIED if chain else NONE, chain)


def _chain(
    blocks: Sequence[SessionBlocks], payloads: Sequence[Payloads], fold_of: dict[str, int]
) -> ChainModel | None:
    with threadpool_limits(1):
        return learn_chain(
            blocks,
            [p.mass_kg for p in payloads],
            [fold_of[b.record.session] for b in blocks],
        )


def arm_file_misfits(
    blocks: Sequence[SessionBlocks], payloads: Sequence[Payloads]
) -> dict[str, str]:
    """Return by base end what is wrong with the arm file's loads, empty where they fit.

    Per joint and base end, friction and the file's torque are fitted to the current;
    a torque that leaves more than `load_misfit` of what it should explain is wrong.
    """
    rows: dict[tuple[str, str], list[tuple[Floats, Floats, Floats]]] = {}
    for one, payload in zip(blocks, payloads, strict=True):
        loads = arm_file_loads(one)
        assert loads is not None
        base = base_of(one) or "A"
        for joint, mine in one.joints.items():
            if joint not in loads.bare:
                continue
            torque = loads.bare[joint] + loads.per_kg[joint] * payload.mass_kg
            at = (mine.state == SLIDING) & np.isfinite(torque) & np.isfinite(mine.current_a)
            if at.sum() > 20:
                rate = mine.rate_deg_s[at]
                fast = max(float(np.quantile(np.abs(rate), 0.98)), 1e-9)
                sign, w = np.sign(rate), rate / fast
                friction = np.stack([np.ones(len(w)), sign, w, sign * np.sqrt(np.abs(w))], axis=1)
                rows.setdefault((base, joint), []).append(
                    (friction, torque[at], mine.current_a[at])
                )
    off: dict[str, list[float]] = {}
    for (base, _), parts in rows.items():
        friction, torque, y = (np.concatenate(p) for p in zip(*parts, strict=True))
        basis = np.linalg.qr(friction)[0]
        left = y - basis @ (basis.T @ y)
        own = torque - basis @ (basis.T @ torque)
        gain = float(own @ left / max(own @ own, 1e-300))
        rest = left - gain * own
        # only where the load is large is there something to explain
        top = np.abs(own) >= np.quantile(np.abs(own), 0.85)
        if spread_about_zero(left[top]) > 2 * spread_about_zero(left[~top]):
            told = 1 - (spread_about_zero(rest[top]) / spread_about_zero(left[top])) ** 2
            off.setdefault(base, []).append(told)
    said = {}
    for base, shares in off.items():
        bad = [share for share in shares if share < setting("load_misfit")]
        said[base] = (
            f"the arm file's loads do not fit from base end {base}: at {len(bad)} of "
            f"{len(shares)} joints they explain less than half of what large loads ask "
            "(frames, axes' signs, masses or the base end may be wrong)"
            if len(bad) >= 2 and len(bad) >= WRONG_SHARE * len(shares)
            else ""
        )
    return said
