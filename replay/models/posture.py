"""What gravity asks of a joint, learned from the angles alone.

The moment of gravity about a joint of any chain of turning joints is a sum of
products, in each of which every angle occurs as its sine, as its cosine or not
at all (products of rotation matrices are linear in the sine and cosine of each
angle). Between square axes a link's weight is one such product, between
parallel ones it is the sine and cosine of a sum of angles. Which few of either
kind an arm needs is found on its log by orthogonal least squares (Chen, Billings
and Luo, Int. J. Control 50(5), 1989), a term staying only if it helps on
sessions left out. So an arm without an arm file gets its posture explained, and
an arm without gravity pays nothing.
"""

from __future__ import annotations

from itertools import combinations, product

import numpy as np
import numpy.typing as npt

from replay.models.bins import Floats, Ints

Term = tuple[int, ...]
"""What each joint contributes: to a product `SINE` or `COSINE`, to a sum of angles
`PLUS` or `MINUS`, or `ABSENT`."""

ABSENT, SINE, COSINE, PLUS, MINUS = 0, 1, 2, 3, 4

MOST_COLUMNS = 16
MOST_ROWS = 3000
CANDIDATES = 10
"""So many terms, the best beside those chosen, are tried in a fit."""

GAIN_TO_KEEP = 0.02
"""A term stays when each of its columns takes this share off the held-out error."""

SCALED = (-0.6, 1.0)
"""How much less or more a session's payload may make of what gravity asks."""

LEAST_SWING = 0.05
"""A joint that turns less than this, rad, tells nothing about posture."""

MOST_LIVELY, FEW_JOINTS = 7, 2
"""With more joints than the first number, a term holds at most the second."""

NEW = 0.02
"""A term with less than this share of its variance outside what is explained is no new one."""


def choose(posture: Floats, base: Floats, current: Floats, group: Ints) -> tuple[Term, ...]:
    """Pick the terms that explain the current beyond ``base``.

    Parameters
    ----------
    posture : array, shape (n, joints)
        All joint angles, rad.
    base : array, shape (n, p)
        What explains the current already.
    current : array, shape (n,)
        A.
    group : array, shape (n,)
        Session of each row.

    Returns
    -------
    tuple of terms
        Each says what every joint contributes.
    """
    usable = np.flatnonzero(np.isfinite(posture).all(axis=1)) if posture.shape[1] else np.empty(0)
    if usable.size < 200:
        return ()
    rows = usable[:: max(1, usable.size // MOST_ROWS)].astype(np.int64)
    q, x, y, g = posture[rows], base[rows], current[rows], group[rows]
    names, where = np.unique(g, return_inverse=True)
    if names.size < 2:
        where = np.arange(g.size) * 10 // g.size
    # payloads that take turns must not part the halves
    halves = (where // 2 if names.size >= 4 else where) % 2 == 0
    best = np.inf
    chosen: tuple[Term, ...] = ()
    for every, parts in (_products(q), _sums(q)):
        error, terms = _grow(every, parts, x, y, halves, where)
        if error < best:
            best, chosen = error, terms
    return chosen


def _grow(
    every: list[Term],
    parts: list[Floats],
    x: Floats,
    y: Floats,
    halves: npt.NDArray[np.bool_],
    where: Ints,
) -> tuple[float, tuple[Term, ...]]:
    """Add term after term while the held-out error falls; ``parts`` are their columns."""
    chosen: list[int] = []
    matrix = x
    error, rest = _left_over(matrix, y, halves, where, 0)
    if not every:
        return error, ()
    known, _ = np.linalg.qr(np.column_stack([np.ones(y.size), x]))
    beside = [part - known @ (known.T @ part) for part in parts]
    own = [np.var(part, axis=0) * y.size + 1e-9 for part in parts]
    while len(chosen) * len(parts) < MOST_COLUMNS:
        gain = _gains(beside, own, rest)
        gain[chosen] = -1.0
        new, best, tried, left = np.inf, -1, matrix, rest
        for one in np.argsort(-gain, kind="stable")[:CANDIDATES]:
            wide = np.column_stack([matrix, *(part[:, one] for part in parts)])
            count = wide.shape[1] - x.shape[1]
            left_error, left_rest = _left_over(wide, y, halves, where, count)
            if left_error < new:
                new, best, tried, left = left_error, int(one), wide, left_rest
        if not new < error * (1 - GAIN_TO_KEEP * len(parts)):
            break
        chosen.append(best)
        matrix, error, rest = tried, new, left
        for column in [part[:, best].copy() for part in beside]:
            size = float(np.linalg.norm(column))
            for part in beside:
                part -= np.outer(column, column @ part) / max(size * size, 1e-12)
    return error, tuple(every[k] for k in chosen)


def column_count(term: Term) -> int:
    """Return 1 for a product; 2, sine and cosine, for a sum of angles."""
    return 2 if max(term) >= PLUS else 1


def columns(
    posture: Floats, terms: tuple[Term, ...], ends: tuple[int, ...], base_b: Floats
) -> list[Floats]:
    """Return the columns of each term, bin by bin; missing angles give 0.

    A term for one base end is 0 on the other.
    """
    if not terms or posture.shape[1] != len(terms[0]):
        return [np.zeros(posture.shape[0])] * sum(column_count(term) for term in terms)
    made: list[Floats] = []
    for term, end in zip(terms, ends, strict=True):
        here = 1.0 if end < 0 else (base_b == end).astype(np.float64)
        code = np.array(term)
        if column_count(term) == 2:
            sign = (code == PLUS).astype(np.float64) - (code == MINUS)
            used = np.flatnonzero(sign)
            phase = posture[:, used] @ sign[used]
            made += [np.nan_to_num(np.sin(phase)) * here, np.nan_to_num(np.cos(phase)) * here]
            continue
        value = np.ones(posture.shape[0])
        for joint in np.flatnonzero(code):
            value *= (np.sin if code[joint] == SINE else np.cos)(posture[:, joint])
        made.append(np.nan_to_num(value) * here)
    return made


def _lively(q: Floats) -> tuple[list[int], int]:
    """Return the joints that turned, and how many of them a term may hold."""
    lively = [j for j in range(q.shape[1]) if np.ptp(q[:, j]) > LEAST_SWING]
    return lively, len(lively) if len(lively) <= MOST_LIVELY else FEW_JOINTS


def _products(q: Floats) -> tuple[list[Term], list[Floats]]:
    """Return all products of sines and cosines, and their columns."""
    lively, most = _lively(q)
    sine, cosine = np.sin(q), np.cos(q)
    terms: list[Term] = [(ABSENT,) * q.shape[1]]
    made = [np.ones(q.shape[0])]
    for j in lively:
        for k in range(len(terms)):  # of those without this joint
            if len(terms[k]) - terms[k].count(ABSENT) < most:
                for part, value in ((SINE, sine[:, j]), (COSINE, cosine[:, j])):
                    terms.append((*terms[k][:j], part, *terms[k][j + 1 :]))
                    made.append(made[k] * value)
    return terms[1:], [np.column_stack(made[1:])] if lively else []


def _sums(q: Floats) -> tuple[list[Term], list[Floats]]:
    """Return all sums and differences of angles, one of each pair of opposites.

    With them their sines and their cosines.
    """
    lively, most = _lively(q)
    terms: list[Term] = []
    for count in range(1, most + 1):
        for used in combinations(lively, count):
            for signs in product((PLUS, MINUS), repeat=count - 1):
                term = [ABSENT] * q.shape[1]
                for j, sign in zip(used, (PLUS, *signs), strict=True):
                    term[j] = sign
                terms.append(tuple(term))
    if not terms:
        return [], []
    code = np.array(terms)
    phase = q @ ((code == PLUS).astype(np.float64) - (code == MINUS)).T
    return terms, [np.sin(phase), np.cos(phase)]


def _gains(beside: list[Floats], own: list[Floats], rest: Floats) -> Floats:
    """Return how much of the remainder each term would take away beside those chosen."""
    limit = 5 * 1.4826 * float(np.median(np.abs(rest - np.median(rest)))) + 1e-12
    r = np.clip(rest - np.median(rest), -limit, limit)
    along = [r @ part for part in beside]
    energy = [np.sum(part * part, axis=0) for part in beside]
    alone = [
        np.where(e > NEW * o, a * a / np.where(e > NEW * o, e, 1.0), 0.0)
        for a, e, o in zip(along, energy, own, strict=True)
    ]
    if len(beside) == 1:
        return np.asarray(alone[0])
    (a, b), (aa, bb) = along, energy
    ab = np.sum(beside[0] * beside[1], axis=0)
    det = aa * bb - ab * ab
    sound = det > NEW * np.maximum(aa * bb, 1e-12)
    both = (a * a * bb - 2 * a * b * ab + b * b * aa) / np.where(sound, det, 1.0)
    return np.asarray(np.where(sound, both, np.maximum(alone[0], alone[1])))


def _left_over(
    matrix: Floats, y: Floats, halves: npt.NDArray[np.bool_], session: Ints, terms: int
) -> tuple[float, Floats]:
    """Return the held-out error across halves, and the remainder of the whole fit.

    What the last ``terms`` columns give may be larger or smaller in each
    session: a payload that no log names scales gravity.
    """
    error = 0.0
    for train in (halves, ~halves):
        rest = _scaled_rest(matrix, y, _solve(matrix[train], y[train]), session, terms)
        size = np.abs(rest[~train])
        error += float(np.mean(np.minimum(size, 4 * np.median(size) + 1e-12)))
    return error, _scaled_rest(matrix, y, _solve(matrix, y), session, terms)


def _scaled_rest(matrix: Floats, y: Floats, beta: Floats, session: Ints, terms: int) -> Floats:
    rest = y - matrix @ beta
    if terms:
        part = matrix[:, -terms:] @ beta[-terms:]
        along = np.bincount(session, part * rest)
        energy = np.bincount(session, part * part)
        factor = np.clip(along / np.maximum(energy, 1e-12), *SCALED)
        rest = rest - part * factor[session]
    return np.asarray(rest)


def _solve(matrix: Floats, y: Floats) -> Floats:
    """Least squares with a light pull to zero, twice, the second time clipped."""
    normal = matrix.T @ matrix
    normal += np.diag(1e-4 * np.diag(normal) + 1e-9 * y.size + 1e-12)
    beta = np.linalg.solve(normal, matrix.T @ y)
    fitted = matrix @ beta
    rest = y - fitted
    limit = 4 * 1.4826 * float(np.median(np.abs(rest))) + 1e-12
    return np.asarray(np.linalg.solve(normal, matrix.T @ (fitted + np.clip(rest, -limit, limit))))
