"""What makes one joint unit differ from the next, and how it wears.

Every unit draws its traits from its own serial number and the arm's seed, so
that it keeps them wherever it sits and in whatever order sessions are made.
Friction is kept in amperes of motor current: that is what an observer sees.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from datetime import datetime
from typing import Literal, cast

import numpy as np

from replay.errors import UsageError

Law = Literal["none", "linear", "accelerating", "relubricated"]
WEAR_INDICATORS = {"coulomb friction": "A", "brake release delay": "s", "backlash": "deg"}

YEAR_S = 365.25 * 86400.0
COULOMB_FLOOR_A = 0.25


@dataclass(frozen=True, slots=True)
class UnitTraits:
    """One joint unit. Friction terms in A, rates in deg/s of the joint."""

    coulomb_forward_a: float
    coulomb_reverse_a: float
    breakaway_extra_a: float  # above Coulomb as the rate goes to zero, warm
    lubrication_rate_deg_s: float  # where the film takes over
    film_a: float  # film friction at 1 deg/s and 20 degC
    film_power: float
    film_fading_c: float  # the film thins by e over this many degrees
    seal_per_c: float  # seals stiffen in the cold: share of Coulomb per degree
    presliding_deg: float
    ageing_a: float  # extra breakaway for each tenfold rest
    mesh_loss_drive: float
    mesh_loss_backdrive: float
    play_deg: float
    stiffness_nm_rad: float
    ripple_a: tuple[float, ...]
    ripple_phase: tuple[float, ...]
    cogging_a: float
    torque_constant_share: float  # true over nominal
    release_delay_s: float
    engage_delay_s: float
    heating_c_a2: float
    thermal_lag_s: float
    current_noise_a: float
    angle_noise_deg: float
    rate_noise_deg_s: float


@dataclass(frozen=True, slots=True)
class Wear:
    """How one unit departs from its traits as years go by.

    ``linear``: ``per_year`` from ``since``. ``accelerating``: the same mean
    slope up to ``until``, starting at nothing. ``relubricated``: linear up to
    ``relubricated_at``, then back to where it began and half as fast.
    """

    serial: str
    law: Law = "linear"
    per_year: float = 0.2
    indicator: str = "coulomb friction"
    since: datetime | None = None
    until: datetime | None = None
    relubricated_at: datetime | None = None

    def __post_init__(self) -> None:
        if self.indicator not in WEAR_INDICATORS:
            raise UsageError(
                f"no wear of {self.indicator!r}", todo=f"one of {', '.join(WEAR_INDICATORS)}"
            )

    def added(self, when: datetime) -> float:
        """Return what wear has added by then, in the indicator's unit."""
        if self.law == "none" or self.since is None or when <= self.since:
            return 0.0
        years = (when - self.since).total_seconds() / YEAR_S
        if self.law == "accelerating":
            span = 2.0
            if self.until is not None:
                span = (self.until - self.since).total_seconds() / YEAR_S
            return self.per_year * years**2 / span
        if (
            self.law == "relubricated"
            and self.relubricated_at is not None
            and when >= self.relubricated_at
        ):
            return self.per_year / 2 * (when - self.relubricated_at).total_seconds() / YEAR_S
        return self.per_year * years


def unit_rng(arm_seed: int, serial: str) -> np.random.Generator:
    """Return a unit's own generator: the same for the same serial."""
    return np.random.default_rng([arm_seed, *serial.encode()])


def draw_unit(arm_seed: int, serial: str) -> UnitTraits:
    """Draw one unit as it left the shop."""
    rng = unit_rng(arm_seed, serial)
    coulomb = rng.uniform(0.75, 1.35)
    lean = rng.uniform(-0.12, 0.12)  # healthy units lean to one side too
    return UnitTraits(
        coulomb_forward_a=coulomb * (1 + lean),
        coulomb_reverse_a=coulomb * (1 - lean),
        breakaway_extra_a=coulomb * rng.uniform(0.08, 0.3),
        lubrication_rate_deg_s=rng.uniform(0.04, 0.14),
        film_a=rng.uniform(0.12, 0.3),
        film_power=rng.uniform(0.72, 0.95),
        film_fading_c=rng.uniform(28.0, 45.0),
        seal_per_c=rng.uniform(0.0008, 0.003),
        presliding_deg=rng.uniform(0.004, 0.012),
        ageing_a=coulomb * rng.uniform(0.0, 0.05),
        mesh_loss_drive=rng.uniform(0.34, 0.44),
        mesh_loss_backdrive=rng.uniform(0.4, 0.5),
        play_deg=rng.uniform(0.006, 0.025),
        stiffness_nm_rad=rng.uniform(5e5, 1.2e6),
        ripple_a=(coulomb * rng.uniform(0.01, 0.05), coulomb * rng.uniform(0.005, 0.03)),
        ripple_phase=tuple(rng.uniform(0, 2 * np.pi, 2)),
        cogging_a=rng.uniform(0.0, 0.015),
        torque_constant_share=rng.uniform(0.96, 1.04),
        release_delay_s=rng.uniform(0.08, 0.14),
        engage_delay_s=rng.uniform(0.05, 0.1),
        heating_c_a2=rng.uniform(1.2, 2.6),
        thermal_lag_s=rng.uniform(700.0, 1500.0),
        current_noise_a=rng.uniform(0.015, 0.04),
        angle_noise_deg=rng.uniform(0.001, 0.003),
        rate_noise_deg_s=rng.uniform(0.004, 0.012),
    )


def worn(traits: UnitTraits, serial: str, wear: tuple[Wear, ...], when: datetime) -> UnitTraits:
    """Return the traits of a unit after its wear up to ``when``."""
    for law in wear:
        if law.serial != serial:
            continue
        added = law.added(when)
        if law.indicator == "coulomb friction":
            traits = replace(
                traits,
                coulomb_forward_a=max(traits.coulomb_forward_a + added, COULOMB_FLOOR_A),
                coulomb_reverse_a=max(traits.coulomb_reverse_a + added, COULOMB_FLOOR_A),
            )
        elif law.indicator == "backlash":
            traits = replace(traits, play_deg=max(traits.play_deg + added, 0.0))
        else:
            traits = replace(traits, release_delay_s=max(traits.release_delay_s + added, 0.01))
    return traits


class Rack:
    """Traits of the seven units in place, each as an array of seven."""

    def __init__(self, units: list[UnitTraits]) -> None:
        self.units = units
        self._columns = {
            f.name: np.array([getattr(u, f.name) for u in units], dtype=float)
            for f in fields(UnitTraits)
            if not f.name.startswith("ripple")
        }
        self.ripple_a = np.array([u.ripple_a for u in units])
        self.ripple_phase = np.array([u.ripple_phase for u in units])

    def __getitem__(self, trait: str) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        return cast("np.ndarray[tuple[int], np.dtype[np.float64]]", self._columns[trait])
