"""Bins of a long session, waiting on disk until their joint is judged."""

from __future__ import annotations

import tempfile
from dataclasses import fields
from pathlib import Path
from types import TracebackType

import numpy as np

from replay.models.bins import Bins, join_bins


class Spool:
    """Collects bins piece by piece and joint by joint.

    Parameters
    ----------
    wait_on_disk : bool
        True writes every piece to a temporary file, which goes with the spool.
    """

    def __init__(self, *, wait_on_disk: bool) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="jointbook-") if wait_on_disk else None
        self._pieces: dict[str, list[Bins]] = {}
        self._count: dict[str, int] = {}

    def __enter__(self) -> Spool:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._folder is not None:
            self._folder.cleanup()

    def add(self, joint: str, bins: Bins) -> None:
        """Keep the next piece of a joint."""
        number = self._count[joint] = self._count.get(joint, 0) + 1
        if self._folder is None:
            self._pieces.setdefault(joint, []).append(bins)
            return
        with self._file(joint).open("wb" if number == 1 else "ab") as file:
            for field in fields(Bins):
                np.save(file, getattr(bins, field.name), allow_pickle=False)

    def take(self, joint: str) -> Bins:
        """Return all of a joint's pieces end to end, and keep them no longer."""
        pieces = self._pieces.pop(joint, [])
        if self._folder is not None:
            path = self._file(joint)
            with path.open("rb") as file:
                pieces = [
                    Bins(**{f.name: np.load(file, allow_pickle=False) for f in fields(Bins)})
                    for _ in range(self._count[joint])
                ]
            path.unlink()
        return join_bins(pieces) if len(pieces) > 1 else pieces[0]

    def _file(self, joint: str) -> Path:
        assert self._folder is not None
        return Path(self._folder.name) / f"{list(self._count).index(joint)}.bins"
