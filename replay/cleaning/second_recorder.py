"""A quicker recorder of the same session, set by the motion that both saw.

A triggered recorder writes a second or two around each change of a brake. Its
clock need not be the other's. In each of its stretches in which a joint moves
the shift is sought at which its values lie on the slower log's, by least
squares; the median (a line, over four stretches or more) is the shift of its
clock. Where it is more than a step of the slower log, the quick samples are
moved by it and a note says so. Where values stay apart at the best shift, the
two did not see the same arm, and nothing is stored.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl

from replay.cleaning.notes import instant
from replay.cleaning.parts import Follow, Part
from replay.cleaning.stream.cleaner import StreamCleaner, blocks
from replay.cleaning.stream.encode import StreamWriter
from replay.cleaning.times.clock_shift import clock_of, fits_of
from replay.errors import LogRefused
from replay.records import QualityNote
from replay.units import TIME
from replay.wording import counted

Ints = npt.NDArray[np.int64]

PAUSE_STEPS = 10.0
"""A pause this many of its own steps long ends a stretch of a triggered recorder."""
FEWEST_AGREEING = 0.8
_SET_BY = ("angle_deg", "rate_deg_s", "current_a")


def set_by_motion(
    slow: tuple[Part, str], quick: tuple[Part, str], folder: Path, follow: Follow
) -> None:
    """Make the quick log a second recorder of the slow one's session.

    Raises
    ------
    LogRefused
        When the two do not agree at any shift.
    """
    (one, mine), (other, theirs) = slow, quick
    a, b = one.cleaners[mine], other.cleaners[theirs]
    edges = stretches_of(_times(other.streams[theirs]), b.nominal_ns)
    fits = fits_of(one.streams[mine], other.streams[theirs], _channels(a, b), edges, a.nominal_ns)
    names = f"{other.raw.path.name} and {one.raw.path.name}"
    agreeing = [f for f in fits if f.apart <= 1.0]
    if not fits or len(agreeing) < FEWEST_AGREEING * len(fits):
        met = f"their values lie together in {len(agreeing)} of {len(fits)} stretches looked at"
        raise asked_which(names, other.raw.path, met)
    begin, end = int(edges[0][0]), int(edges[-1][1])
    offset, slope = clock_of(agreeing, a.nominal_ns / 1e9)
    if offset or slope:
        moved = folder / f"set-{other.streams[theirs].stem}-{len(list(folder.iterdir()))}.parquet"
        with StreamWriter(moved, follow(moved)) as writer:
            for block in blocks(pl.scan_parquet(other.streams[theirs], glob=False)):
                ns = block[TIME].to_physical().to_numpy()
                ns = ns + np.round((offset + slope * (ns - begin) / 1e9) * 1e9).astype(np.int64)
                when = pl.Series(TIME, ns).cast(pl.Datetime("ns")).dt.replace_time_zone("UTC")
                writer.write(block.with_columns(when))
        other.streams[theirs] = moved
        b.first_ns = (b.first_ns or begin) + round(offset * 1e9)
        b.last_ns = (b.last_ns or end) + round((offset + slope * (end - begin) / 1e9) * 1e9)
        last = offset + slope * (end - begin) / 1e9
        other.told.append(
            QualityNote(
                "clock-set",
                f"the clock of {other.raw.path.name} was set by the motion that "
                f"{one.raw.path.name} saw too: moved by {offset:+.3f} s at its start, "
                f"{last:+.3f} s at its end ({counted(len(agreeing), 'stretch', 'stretches')}); "
                "delays within it are as logged",
                channel=TIME,
                start=instant(begin),
                end=instant(end),
            )
        )
    length_s = float(np.sum(edges[:, 1] - edges[:, 0])) / 1e9
    other.second = True
    b.regular, b.gaps, b.gap_count, b.missing = False, [], 0, 0
    other.told.append(
        QualityNote(
            "second-recorder",
            f"{other.raw.path.name} is a second recorder of what {one.raw.path.name} has: one "
            f"sample in {b.nominal_ns / 1e6:g} ms, {length_s:.1f} s in {len(edges)} stretch"
            + "es" * (len(edges) != 1)
            + "; delays are measured in it where it saw them",
            start=instant(begin),
            end=instant(end),
            count=len(edges),
        )
    )


def asked_which(names: str, path: Path, why: str) -> LogRefused:
    """Return the refusal that asks a person which of two logs is right."""
    return LogRefused(
        f"{names} tell of the same time and channels and do not agree: {why}; which of them is "
        "right?",
        file=path,
        todo="take in the right one alone; one that is stored and wrong goes with "
        "jointbook archive remove SESSION; or one is another arm's: --arm",
    )


def stretches_of(ns: Ints, step_ns: int) -> Ints:
    """Return first and last instant of each stretch without a pause, shape (n, 2).

    Examples
    --------
    >>> stretches_of(np.array([0, 1, 2, 50, 51]), 1).tolist()
    [[0, 2], [50, 51]]
    """
    cut = np.flatnonzero(np.diff(ns) > PAUSE_STEPS * step_ns)
    first = np.concatenate([[0], cut + 1])
    last = np.concatenate([cut, [len(ns) - 1]])
    return np.stack([ns[first], ns[last]], axis=1)


def _times(path: Path) -> Ints:
    frame = pl.scan_parquet(path, glob=False).select(pl.col(TIME).to_physical()).collect()
    times: Ints = frame[TIME].to_numpy()
    return times


def _channels(a: StreamCleaner, b: StreamCleaner) -> list[str]:
    """Return the shared channels that tell best of motion: angles, else rates, else currents."""
    both = {p.name for p in a.plans} & {p.name for p in b.plans}
    for quantity in _SET_BY:
        found = sorted(n for n in both if n.rpartition(".")[2] == quantity)
        if found:
            return found
    return []
