"""A joint's table to be looked at where its motor current was not logged."""

from __future__ import annotations

from datetime import datetime

import polars as pl

from replay.archive import Archive
from replay.errors import UsageError
from replay.signals.joints import prepare, table_of


def logged_table(
    archive: Archive,
    session: str,
    joint: str,
    *,
    start: datetime | None = None,
    end: datetime | None = None,
) -> pl.DataFrame:
    """Return one joint's table, also of a joint without a motor current, to be looked at.

    Such a joint's rows are on the instants of its angle or rate, else of its temperature;
    ``current_a`` is null there. No row where none of them was logged. See `joint_table`.
    """
    ready = prepare(archive, session, start=start, end=end)
    if joint not in ready.record.joints:
        raise UsageError(
            f"session {session!r} has no joint {joint!r}",
            todo=f"it has {', '.join(ready.record.joints)}",
        )
    return table_of(ready, joint)
