"""How complete a log is, joint by joint.

Read from the footers of the files, never from their samples. Asked for the
rows in sight only: a library of ten thousand sessions opens no file for the
others.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import lru_cache

from replay.archive import Archive
from replay.errors import JointbookError

JUDGED = ("angle_deg", "rate_deg_s", "current_a")
"""What every joint must have to be judged. Temperatures and the like are often logged now and
then on purpose."""


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
        ``{session: {joint: share}}``, shares 0 to 1, None where a joint has
        none of its channels. A share is the session's own completeness times
        the least of what the joint's angle, rate and current have, each beside
        the joint that has most of it: a channel logged at every second row for
        all joints is not half missing.
    """
    found = {}
    for session in sessions:
        try:
            shares = _shares(archive, session)
        except (JointbookError, OSError):
            continue
        found[session] = {j: s for j, s in shares if joints is None or j in joints}
    return found


@lru_cache(maxsize=20_000)
def _shares(archive: Archive, session: str) -> tuple[tuple[str, float | None], ...]:
    record = archive.session(session)
    filled: dict[str, float] = {}
    for stream, channels in record.channels.items():
        judged = {c for c in channels if c.rpartition(".")[2] in JUDGED}
        if judged:
            filled.update(_filled(archive, session, stream, judged))
    most = {
        q: max((s for c, s in filled.items() if c.rpartition(".")[2] == q), default=0.0)
        for q in JUDGED
    }
    whole = 1.0 if record.completeness is None else min(record.completeness, 1.0)

    def share(joint: str) -> float | None:
        own = [
            filled[f"{joint}.{q}"] / most[q] if most[q] else 0.0
            for q in JUDGED
            if f"{joint}.{q}" in filled
        ]
        return whole * min(own) if own else None

    return tuple((joint, share(joint)) for joint in record.joints)


def _filled(archive: Archive, session: str, stream: str, channels: set[str]) -> dict[str, float]:
    """Return the share of rows that have a value, for each channel of a stream."""
    footer = archive.stream_place(session, stream).footer()
    missing = dict.fromkeys(channels, 0)
    for g in range(footer.num_row_groups):
        group = footer.row_group(g)
        for c in range(group.num_columns):
            column = group.column(c)
            if column.path_in_schema in missing and column.statistics is not None:
                missing[column.path_in_schema] += column.statistics.null_count or 0
    rows = max(footer.num_rows, 1)
    return {name: 1.0 - lost / rows for name, lost in missing.items()}
