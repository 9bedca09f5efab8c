"""How complete logs are, joint by joint, for the rows of the library in sight.

A library of ten thousand sessions opens no file for the others.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import lru_cache

from replay.archive import Archive
from replay.archive.completeness import joint_shares, share_words
from replay.errors import JointbookError
from replay.records import Session


def by_joint(
    archive: Archive, sessions: Iterable[str], joints: Sequence[str] | None = None
) -> dict[str, dict[str, float | None]]:
    """Return the share of samples that are there, by session and joint.

    Parameters
    ----------
    archive : Archive
    sessions : iterable of str
        Unknown sessions and files that cannot be read are left out.
    joints : sequence of str, optional
        Joints to keep; all by default.

    Returns
    -------
    dict
        ``{session: {joint: share}}``, as `replay.archive.completeness.joint_shares` has them.
    """
    found = {}
    for session in sessions:
        try:
            shares = _shares(archive, session)
        except (JointbookError, OSError):
            continue
        found[session] = {j: s for j, s in shares if joints is None or j in joints}
    return found


def words(archive: Archive, record: Session) -> str:
    """Say how complete a session's log is: of its rows, and at the joint that lacks most.

    Parameters
    ----------
    archive : Archive
    record : Session

    Returns
    -------
    str
        Of the rows alone where the files cannot be read.
    """
    shares = by_joint(archive, [record.session]).get(record.session, {})
    known = [(share, joint) for joint, share in shares.items() if share is not None]
    least = min(known, default=None, key=lambda pair: pair[0])
    return share_words(record.completeness, None if least is None else least[::-1], 1)


@lru_cache(maxsize=20_000)
def _shares(archive: Archive, session: str) -> tuple[tuple[str, float | None], ...]:
    return joint_shares(archive, session)
