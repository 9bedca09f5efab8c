"""What the way in asks of an archive, so that it need not know one."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any, Protocol

import polars as pl

from replay.cleaning.stream.encode import Follower
from replay.records import Session


class Keeper(Protocol):
    """What `ingest` asks of an archive."""

    def sessions(self) -> pl.DataFrame: ...  # noqa: D102
    def within(  # noqa: D102
        self,
        *,
        arm: str | None = None,
        begins: tuple[datetime | None, datetime | None] = (None, None),
        ends: tuple[datetime | None, datetime | None] = (None, None),
    ) -> pl.DataFrame: ...
    def has_session(self, session: str) -> bool: ...  # noqa: D102
    def session(self, session: str) -> Session: ...  # noqa: D102
    def staging(self) -> contextlib.AbstractContextManager[Path]: ...  # noqa: D102
    def copy_raw(  # noqa: D102
        self, folder: Path, sources: Sequence[Path]
    ) -> tuple[Path, str]: ...
    def raw_folder(self, session: Session) -> Path | None: ...  # noqa: D102
    def raw_begins(self, session: Session, path: Path) -> bool: ...  # noqa: D102
    def mend_raw(self, session: str, sources: Sequence[Path]) -> bool: ...  # noqa: D102
    @property
    def exchanges(self) -> bool: ...  # noqa: D102
    def logs_of(self, session: Session) -> list[Path]: ...  # noqa: D102
    def overviews_beside(self, samples: Path) -> Follower: ...  # noqa: D102
    def add_session(  # noqa: D102
        self,
        session: Session,
        streams: Any,
        *,
        raw: Any = None,
        instead_of: str | None = None,
    ) -> bool: ...
