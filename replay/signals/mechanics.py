"""All of a session's mechanics from one reading of it, each part made when asked for."""

from __future__ import annotations

from functools import cached_property

import polars as pl

from replay.archive import Archive
from replay.arm import Arm
from replay.arm.margins import MarginRule
from replay.errors import ArchiveError
from replay.signals.brakes.neighbour_slips import neighbour_slips
from replay.signals.brakes.second_recorder import best_events
from replay.signals.brakes.slips import held_stretches
from replay.signals.channels import arm_of
from replay.signals.duty import duty
from replay.signals.joint_signals import JointSignals, signals_of
from replay.signals.joints import prepare, table_of
from replay.signals.margins import session_margins
from replay.signals.postures import tip_of


class SessionMechanics:
    """One session's joint tables, brakes, slips, duty, margins and tip.

    Parameters
    ----------
    archive : Archive
    session : str

    Notes
    -----
    The parts are those of the functions of the same names; here they share
    the reading of the log, the rates, and one pass of the inverse dynamics.
    """

    def __init__(self, archive: Archive, session: str) -> None:
        self._archive = archive
        self._ready = prepare(archive, session)
        self.session = session
        self.joints: tuple[str, ...] = self._ready.joints

    @property
    def arm(self) -> Arm | None:
        """The session's arm, or None."""
        return arm_of(self._ready.record)

    @cached_property
    def tables(self) -> dict[str, pl.DataFrame]:
        """Joint tables by joint."""
        return {name: table_of(self._ready, name) for name in self.joints}

    @cached_property
    def _arrays(self) -> dict[str, JointSignals]:
        return {name: signals_of(table) for name, table in self.tables.items()}

    @cached_property
    def _brake_events(self) -> dict[str, pl.DataFrame]:
        return best_events(self._ready, self._arrays)

    @cached_property
    def brake_events(self) -> pl.DataFrame:
        """`replay.signals.brakes.second_recorder.best_events` of all joints, ``joint`` first."""
        return _together(self._brake_events)

    @cached_property
    def held_stretches(self) -> pl.DataFrame:
        """`replay.signals.brakes.slips.held_stretches` of all joints, ``joint`` first."""
        return _together({name: held_stretches(a) for name, a in self._arrays.items()})

    @cached_property
    def neighbour_slips(self) -> pl.DataFrame:
        """`replay.signals.brakes.neighbour_slips.neighbour_slips`."""
        return neighbour_slips(self._arrays, self._brake_events)

    @cached_property
    def duty(self) -> pl.DataFrame:
        """`replay.signals.duty.duty` of all joints, with ``joint``, ``serial`` and ``start``."""
        arm, record = self.arm, self._ready.record
        rows = []
        for name, arrays in self._arrays.items():
            joint = arm.joint(name) if arm is not None and name in arm.joint_names else None
            serial = record.unit(name)
            rows.append(
                duty(arrays, joint).select(
                    pl.lit(name).alias("joint"),
                    pl.lit(serial, dtype=pl.String).alias("serial"),
                    pl.lit(record.start).alias("start"),
                    pl.all(),
                )
            )
        return pl.concat(rows) if rows else pl.DataFrame()

    def margins(self, rule: MarginRule | None = None) -> pl.DataFrame:
        """`replay.signals.margins.session_margins`."""
        return session_margins(
            self._archive,
            self.session,
            rule=rule,
            tables=self.tables,
            postures=self._ready.postures,
        )

    @cached_property
    def tip(self) -> pl.DataFrame:
        """`replay.signals.postures.tip_table`."""
        if self._ready.postures is None:
            raise ArchiveError(
                f"session {self.session!r} has no arm with geometry",
                todo="ingest it with an arm file that has [joints.geometry]",
            )
        return tip_of(self.session, self._ready.postures)


def second_recorder_events(archive: Archive, session: str) -> dict[str, pl.DataFrame]:
    """Return brake events by joint where a second recorder saw the session, else nothing.

    Parameters
    ----------
    archive : Archive
    session : str

    Returns
    -------
    dict of str to DataFrame
        As `SessionMechanics.brake_events`, a table a joint.
    """
    if not archive.session(session).second_recorders:
        return {}
    ready = prepare(archive, session)
    return best_events(ready, {n: signals_of(table_of(ready, n)) for n in ready.joints})


def _together(frames: dict[str, pl.DataFrame]) -> pl.DataFrame:
    """Return the joints' rows under each other, the joint's name first."""
    named = [
        frame.select(pl.lit(name).alias("joint"), pl.all())
        for name, frame in frames.items()
        if frame.height
    ]
    return pl.concat(named) if named else pl.DataFrame()
