"""Every number of the models and the checks that a person could tune, in one table.

Each has a unit and a source: a publication, a measurement, or common practice.
`tests.benchmarks.settings` moves each by 30 % and prints what changes.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Setting:
    """A number, its unit, what it does and where it comes from."""

    value: float
    unit: str
    source: str


MODEL: dict[str, Setting] = {
    "block_s": Setting(0.2, "s", "five samples a second carry what is slow: measured"),
    "accel_noise": Setting(0.1, "1", "of an acceleration: more bends its coefficient; measured"),
    "still_share": Setting(0.004, "1", "of the usual fast rate: slower counts as rest; measured"),
    "prior_temperature": Setting(
        0.02, "1/K", "spread of friction's share a kelvin; Bittencourt & Gunnarsson 2012"
    ),
    "misfit_share": Setting(0.05, "1", "of the prediction, where nothing was seen; measured"),
    "cell_temperature": Setting(6.0, "K", "over this a law may bend; common practice"),
    "cell_log_rate": Setting(0.7, "1", "a factor of two in rate; common practice"),
    "cell_payload": Setting(0.35, "1", "share of the largest payload trained; common practice"),
    "load_misfit": Setting(0.5, "1", "an arm file that explains less is refused: measured"),
    "person_kg": Setting(
        75.0, "kg", "a person, as lifts reckon them: EN 81-20:2020 5.4.2, from memory"
    ),
    "servo_share": Setting(0.9, "1", "a drive law that explains less is not used: measured"),
    "robust_cut": Setting(3.0, "sd", "Cauchy weight's scale; common practice"),
    "odd_session": Setting(6.0, "sd", "a session this far from the others is set aside: measured"),
}
CHECKS: dict[str, Setting] = {
    "run_prior_s": Setting(0.1, "s", "a hole or a freeze that was never seen; no source"),
    "delay_prior_s": Setting(0.1, "s", "spread of a delay that was never seen; no source"),
    "clip_sd": Setting(8.0, "sd", "beyond it a block counts by its logarithm: measured"),
    "fewest_s": Setting(1.2, "s", "of motion in a window that says anything: measured"),
    "odd_share": Setting(0.1, "1", "of joints for ten minutes that may hide a fault in training"),
    "odd_block": Setting(5.0, "nat", "rarer by the others' law than this is set aside: 1 in 150"),
    "growth_s": Setting(50.0, "s", "friction does not grow in less; common practice, no source"),
    "shortest_s": Setting(0.4, "s", "shortest window, an independent variable each; structure"),
    "prior_scale": Setting(1.0, "1", "spreads or nats by which a never seen finding falls off"),
    "prior_level": Setting(5.0, "1", "spreads that many normal variables do not exceed"),
    "prior_rate": Setting(0.05, "1/h", "of findings that training never showed; no source"),
    "least_scale": Setting(0.3, "1", "a normal variable's largest falls off like this"),
    "overlap": Setting(0.5, "1", "share of the shorter of two events that makes them one"),
    "shaken": Setting(0.3, "1", "a weaker event beside a stronger one on another joint"),
    "near_nats": Setting(5.0, "nat", "two kinds this near are both named; 1 in 150"),
    "slowest": Setting(1.5, "1", "the rarest may fall off so much slower than its own law"),
}


def setting(name: str) -> float:
    """Return a declared number by its name."""
    found = MODEL.get(name) or CHECKS[name]
    return found.value
