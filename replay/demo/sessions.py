"""One session from plan to table: the front door of the simulator."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import numpy as np
import polars as pl

from replay.demo import heron
from replay.demo.faulty.faults import Fault, FaultWish, look_at
from replay.demo.faulty.injection import IN_THE_PLANT, spoil, trouble_of
from replay.demo.faulty.placing import place
from replay.demo.hardware import Rack, Wear, draw_unit, worn
from replay.demo.manoeuvres import draw_pose, plan
from replay.demo.plant import draw_conditions, respond
from replay.demo.recorder import Habits, as_frame, make_stale, read_sensors
from replay.demo.styles import STYLES
from replay.errors import UsageError
from replay.records import Session
from replay.units import TIME

SEASON_MEAN_C = 16.0
SEASON_SWING_C = 11.0


@dataclass(frozen=True, slots=True)
class SessionPlan:
    """What a session is to be; everything has a sensible default.

    ``payload_kg`` is the true mass. ``arm_seed`` draws the joint units,
    ``units`` says which of them sit where, end A first. ``plant_hz`` is the
    least rate at which the physics run; brakes need 50 or more.
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
    faults: tuple[FaultWish, ...] = ()
    start_deg: tuple[float, ...] | None = None
    plant_hz: float = 100.0


def simulate_session(plan_: SessionPlan, seed: int) -> tuple[pl.DataFrame, dict[str, Any]]:
    """Simulate one session; same plan and seed give the same table.

    Parameters
    ----------
    plan_ : SessionPlan
    seed : int
        Of operator, noise and faults.

    Returns
    -------
    frame : polars.DataFrame
        One stream: ``time`` and the channels of `replay.units`.
    truth : dict
        An entry of ``sessions`` in the truth file, ``source`` left empty.

    Raises
    ------
    UsageError
        The plan's style is none of `STYLES`.
    """
    if plan_.style not in STYLES:
        raise UsageError(f"no style {plan_.style!r}", todo=f"one of {', '.join(STYLES)}")
    # One generator a subject, so that a fault changes nothing but itself.
    motion, weather, sensors, mishaps = (
        np.random.default_rng([seed, plan_.arm_seed, k]) for k in range(4)
    )
    style = STYLES[plan_.style]
    pose = draw_pose(motion)
    schedule = plan(
        motion,
        style=style,
        duration_s=plan_.minutes * 60.0,
        dt=1.0 / max(plan_.plant_hz, plan_.rate_hz),
        payload_kg=plan_.payload_kg,
        base_end=plan_.base_end,
        start_deg=pose if plan_.start_deg is None else np.array(plan_.start_deg),
    )
    rack = Rack(
        [worn(draw_unit(plan_.arm_seed, s), s, plan_.wear, plan_.start) for s in plan_.units]
    )
    conditions = draw_conditions(
        weather,
        season_c=season_c(plan_.start) if plan_.season else SEASON_MEAN_C,
        payload_kg=plan_.payload_kg,
    )
    response = respond(schedule, rack, conditions)
    faults: list[Fault] = []
    if plan_.faults:
        scene = look_at(schedule, response, rack, plan_.rate_hz)
        faults = place(plan_.faults, scene, mishaps)
        in_plant = [f for f in faults if f.kind in IN_THE_PLANT]
        if in_plant:
            response = respond(schedule, rack, conditions, trouble_of(in_plant, scene))
    readings = read_sensors(
        schedule, response, rack, sensors, rate_hz=plan_.rate_hz, habits=plan_.habits
    )
    make_stale(readings, sensors, plan_.habits)
    readings = spoil(readings, faults, mishaps)
    frame = as_frame(readings, plan_.start, person_on_tip=style.person)
    hours = float(readings.t_s[-1] - readings.t_s[0]) / 3600.0
    truth = {
        "source": "",
        "joint_hours": round(hours * heron.JOINTS, 4),
        "events": [f.truth(plan_.start) for f in faults],
        "end_deg": [round(float(a), 3) for a in response.angle_deg[-1]],
    }
    return frame, truth


def season_c(when: datetime) -> float:
    """Return the yard's mean temperature at a time of year, degC."""
    year = (when.timetuple().tm_yday - 20) / 365.25
    return SEASON_MEAN_C - SEASON_SWING_C * float(np.cos(2 * np.pi * year))


def session_record(
    plan_: SessionPlan, frame: pl.DataFrame, *, name: str | None = None, arm: str = heron.NAME
) -> Session:
    """Return the archive's record of a simulated session.

    Parameters
    ----------
    plan_ : SessionPlan
    frame : polars.DataFrame
        What `simulate_session` made of it.
    name : str, optional
        The session's name; from its start by default.
    arm : str

    Notes
    -----
    ``archive.add_session(session_record(plan, frame), {"main": frame})`` puts
    it there without any file, for tests and for long histories.
    """
    channels = tuple(c for c in frame.columns if c != TIME)
    start, end = frame[TIME][0], frame[TIME][-1]
    fixed = STYLES[plan_.style]
    return Session(
        session=name or f"{plan_.start:%Y%m%dT%H%M%S}-heron",
        source="",
        arm=arm,
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
