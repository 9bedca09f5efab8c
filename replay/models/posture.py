"""What gravity asks of a joint, learned from the angles alone.

The moment of gravity about a joint of any chain of turning joints is a sum of
sines and cosines of sums and differences of the joint angles, each angle taken
at most once (products of rotation matrices are linear in the sine and cosine
of each angle). Which few of these terms an arm needs is found on its log by
orthogonal matching pursuit (Pati, Rezaiifar and Krishnaprasad, 27th Asilomar
Conf., 1993), a term staying only if it helps on sessions left out. So an arm
without an arm file gets its posture explained, and an arm without gravity
pays nothing.
"""

from __future__ import annotations

from itertools import combinations, product

import numpy as np
import numpy.typing as npt

from replay.models.bins import Floats, Ints

Term = tuple[int, ...]

MOST_TERMS = 8
MOST_ROWS = 3000
CANDIDATES = 10
"""So many terms, the best by themselves, are tried in a fit."""

GAIN_TO_KEEP = 0.04
"""A term stays when it takes this share off the held-out error."""

SCALED = (-0.6, 1.0)
"""How much less or more a session's payload may make of what gravity asks."""

LEAST_SWING = 0.05
"""A joint that turns less than this, rad, tells nothing about posture."""


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
        Each has one factor -1, 0 or 1 a joint.
    """
    usable = np.flatnonzero(np.isfinite(posture).all(axis=1)) if posture.shape[1] else np.empty(0)
    if usable.size < 200:
        return ()
    rows = usable[:: max(1, usable.size // MOST_ROWS)].astype(np.int64)
    q, x, y, g = posture[rows], base[rows], current[rows], group[rows]
    every = _every_term(q)
    if not every:
        return ()
    phase = q @ np.array(every, dtype=np.float64).T
    sine, cosine = np.sin(phase), np.cos(phase)
    names, where = np.unique(g, return_inverse=True)
    if names.size < 2:
        where = np.arange(g.size) * 10 // g.size
    # payloads that take turns must not part the halves
    halves = (where // 2 if names.size >= 4 else where) % 2 == 0
    chosen: list[int] = []
    matrix = x
    error, rest = _left_over(matrix, y, halves, where, 0)
    while len(chosen) < MOST_TERMS:
        gain = _gains(sine, cosine, rest)
        gain[chosen] = -1.0
        new, best, tried, left = np.inf, -1, matrix, rest
        for one in np.argsort(-gain, kind="stable")[:CANDIDATES]:
            wide = np.column_stack([matrix, sine[:, one], cosine[:, one]])
            count = wide.shape[1] - x.shape[1]
            left_error, left_rest = _left_over(wide, y, halves, where, count)
            if left_error < new:
                new, best, tried, left = left_error, int(one), wide, left_rest
        if not new < error * (1 - GAIN_TO_KEEP):
            break
        chosen.append(best)
        matrix, error, rest = tried, new, left
    return tuple(every[k] for k in chosen)


def columns(posture: Floats, terms: tuple[Term, ...]) -> list[Floats]:
    """Return sine and cosine of each term, bin by bin; missing angles give 0."""
    if not terms or posture.shape[1] != len(terms[0]):
        return [np.zeros(posture.shape[0])] * (2 * len(terms))
    made = []
    for term in terms:
        used = np.flatnonzero(term)
        phase = posture[:, used] @ np.array(term, dtype=np.float64)[used]
        made += [np.nan_to_num(np.sin(phase)), np.nan_to_num(np.cos(phase))]
    return made


def _every_term(q: Floats) -> list[Term]:
    """Return all terms of the joints that turned, one of each pair of opposites."""
    joints = q.shape[1]
    lively = [j for j in range(joints) if np.ptp(q[:, j]) > LEAST_SWING]
    most = len(lively) if len(lively) <= 7 else 2
    made: list[Term] = []
    for count in range(1, min(most, len(lively)) + 1):
        for used in combinations(lively, count):
            for signs in product((1, -1), repeat=count - 1):
                term = [0] * joints
                for j, sign in zip(used, (1, *signs), strict=True):
                    term[j] = sign
                made.append(tuple(term))
    return made


def _gains(sine: Floats, cosine: Floats, rest: Floats) -> Floats:
    """Share of the remainder that each term's sine and cosine would take away."""
    s, c = sine - sine.mean(axis=0), cosine - cosine.mean(axis=0)
    limit = 5 * 1.4826 * float(np.median(np.abs(rest - np.median(rest)))) + 1e-12
    r = np.clip(rest - np.median(rest), -limit, limit)
    ss, cc, sc = (s * s).sum(axis=0), (c * c).sum(axis=0), (s * c).sum(axis=0)
    rs, rc = r @ s, r @ c
    det = ss * cc - sc * sc
    sound = det > 1e-3 * np.maximum(ss * cc, 1e-12)
    gain = (rs * rs * cc - 2 * rs * rc * sc + rc * rc * ss) / np.where(sound, det, 1.0)
    single = np.maximum(rs * rs / np.maximum(ss, 1e-9), rc * rc / np.maximum(cc, 1e-9))
    return np.asarray(np.where(sound, gain, single))


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
