"""How complete a log is, of its rows and joint by joint.

The catalogue knows how many rows of those that the log's rate calls for are
there. A row may still lack one joint's values, so each joint has a share of its
own. Read from the footers of the files, never from their samples.
"""

from __future__ import annotations

import math

from replay.archive.store import Archive

JUDGED = ("angle_deg", "rate_deg_s", "current_a")
"""What every joint must have to be judged. Temperatures and the like are often logged now and
then on purpose."""


def joint_shares(archive: Archive, session: str) -> tuple[tuple[str, float | None], ...]:
    """Return the share of samples that are there, joint by joint, in the arm's order.

    Parameters
    ----------
    archive : Archive
    session : str
        Name of a session in the archive.

    Returns
    -------
    tuple of (str, float or None)
        Shares 0 to 1, None where a joint has none of its channels. A share is
        the session's own completeness times the least of what the joint's
        angle, rate and current have, each beside the joint that has most of it:
        a channel logged at every second row for all joints is not half missing.

    Raises
    ------
    ArchiveError
        There is no such session.
    """
    record = archive.session(session)
    filled: dict[str, float] = {}
    for stream, channels in record.channels.items():
        if stream in record.second_recorders:
            continue  # it saw parts only, and the main stream has the same channels
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


def least_complete(archive: Archive, session: str) -> tuple[str, float] | None:
    """Return the joint that lacks most and its share; None where no joint's share is known.

    Parameters
    ----------
    archive : Archive
    session : str
        Name of a session in the archive.

    Returns
    -------
    (str, float) or None
        Of joints alike the first of the arm.
    """
    known = [(s, k, j) for k, (j, s) in enumerate(joint_shares(archive, session)) if s is not None]
    return (min(known)[2], min(known)[0]) if known else None


def per_cent(share: float, digits: int = 2) -> str:
    """Return a share as per cent, cut and not rounded: only what is whole reads 100.

    >>> per_cent(1.0), per_cent(0.99999), per_cent(0.98)
    ('100.00 %', '99.99 %', '98.00 %')
    """
    scale = 10**digits
    return f"{math.floor(100 * share * scale + 1e-9) / scale:.{digits}f} %"


def share_words(share: float | None, least: tuple[str, float] | None, digits: int = 2) -> str:
    """Say how complete a log is: of its rows, and at the joint that lacks most.

    >>> share_words(1.0, ("J2", 0.959), 1), share_words(1.0, ("J1", 1.0), 1)
    ('100.0 % of the rows; least J2, 95.9 %', '100.0 %')
    >>> share_words(None, None)
    'not known'
    """
    rows = "not known" if share is None else per_cent(share, digits)
    if least is None or per_cent(least[1], digits) == rows:
        return rows
    return f"{rows} of the rows; least {least[0]}, {per_cent(least[1], digits)}"


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
