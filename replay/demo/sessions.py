"""One session from plan to table: the front door of the simulator."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import numpy as np
import polars as pl

from replay.demo import heron
from replay.demo.hardware import Rack, Wear, draw_unit, worn
from replay.demo.manoeuvres import STYLES, draw_pose, plan
from replay.demo.plant import draw_conditions, respond
from replay.demo.recorder import Habits, as_frame, make_stale, read_sensors
from replay.errors import UsageError
from replay.records import Session
from replay.units import TIME

PLANT_HZ = 100.0
SEASON_MEAN_C = 16.0
SEASON_SWING_C = 11.0


@dataclass(frozen=True, slots=True)
class SessionPlan:
    """What a session is to be; everything has a sensible default.

    ``payload_kg`` is the true mass. ``arm_seed`` draws the joint units,
    ``units`` says which of them sit where, end A first.
    """

    start: datetime = datetime(2031, 3, 1, 9, tzinfo=UTC)
    minutes: float = 10.0
    rate_hz: float = 20.0
    style: str = "inspection"
    base_end: str = "A"
    payload_kg: float = 0.0
    arm_seed: int = 0
    units: tuple[str, ...] = heron.FIRST_SERIALS
    wear: tuple[Wear, ...] = ()
    habits: Habits = field(default_factory=Habits)
    season: bool = True


def simulate_session(plan_: SessionPlan, seed: int) -> tuple[pl.DataFrame, dict[str, Any]]:
    """Simulate one session; same plan and seed give the same table.

    Returns
    -------
    frame : polars.DataFrame
        One stream: ``time`` and the channels of `replay.units`.
    truth : dict
        An entry of ``sessions`` in the truth file, ``source`` left empty.
    """
    if plan_.style not in STYLES:
        raise UsageError(f"no style {plan_.style!r}", todo=f"one of {', '.join(STYLES)}")
    rng = np.random.default_rng([seed, plan_.arm_seed])
    style = STYLES[plan_.style]
    schedule = plan(
        rng,
        style=style,
        duration_s=plan_.minutes * 60.0,
        dt=1.0 / max(PLANT_HZ, plan_.rate_hz),
        payload_kg=plan_.payload_kg,
        base_end=plan_.base_end,
        start_deg=draw_pose(rng),
    )
    rack = Rack(
        [worn(draw_unit(plan_.arm_seed, s), s, plan_.wear, plan_.start) for s in plan_.units]
    )
    conditions = draw_conditions(
        rng,
        season_c=season_c(plan_.start) if plan_.season else SEASON_MEAN_C,
        payload_kg=plan_.payload_kg,
    )
    response = respond(schedule, rack, conditions)
    readings = read_sensors(
        schedule, response, rack, rng, rate_hz=plan_.rate_hz, habits=plan_.habits
    )
    make_stale(readings, rng, plan_.habits)
    frame = as_frame(readings, plan_.start, person_on_tip=style.person)
    hours = float(readings.t_s[-1] - readings.t_s[0]) / 3600.0
    truth = {"source": "", "joint_hours": round(hours * heron.JOINTS, 4), "events": []}
    return frame, truth


def season_c(when: datetime) -> float:
    """Return the yard's mean temperature at a time of year, degC."""
    year = (when.timetuple().tm_yday - 20) / 365.25
    return SEASON_MEAN_C - SEASON_SWING_C * float(np.cos(2 * np.pi * year))


def session_record(plan_: SessionPlan, frame: pl.DataFrame, *, name: str | None = None) -> Session:
    """Return the archive's record of a simulated session.

    ``archive.add_session(session_record(plan, frame), {"main": frame})`` puts
    it there without any file, for tests and for long histories.
    """
    channels = tuple(c for c in frame.columns if c != TIME)
    start, end = frame[TIME][0], frame[TIME][-1]
    fixed = STYLES[plan_.style]
    return Session(
        session=name or f"{plan_.start:%Y%m%dT%H%M%S}-heron",
        source="",
        arm="Heron",
        rows=frame.height,
        start=start,
        end=end,
        joints=heron.NAMES,
        units=dict(zip(heron.NAMES, plan_.units, strict=True)),
        channels={"main": channels},
        base_end=None if fixed.changes_base else plan_.base_end,
        payload_kg=None if fixed.loaded else plan_.payload_kg,
        person_on_tip=fixed.person,
        rate_hz=plan_.rate_hz,
        completeness=frame.height / max(plan_.minutes * 60.0 * plan_.rate_hz, 1.0),
        arm_toml=heron.arm_toml(plan_.units),
    )
