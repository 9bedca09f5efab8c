"""Units that a log may use, and what one of each is in ours.

Every conversion is ``ours = value * factor + offset``. Factors are exact by
definition (SI brochure; the international pound, 1959; degree Celsius and
kelvin, ITS-90) or follow from a full turn being 360 deg.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from replay.errors import LogMapError


@dataclass(frozen=True, slots=True)
class Scale:
    """One unit: what it measures and how it becomes ours."""

    unit: str
    measures: str
    factor: float
    offset: float = 0.0
    linear: bool = False
    """A linear axis, kept 1 mm as 1 deg: allowed, and said."""

    @property
    def changes(self) -> bool:
        """Tell whether a value in this unit is changed by the conversion."""
        return self.factor != 1.0 or self.offset != 0.0


SCALES: dict[str, Scale] = {
    s.unit: s
    for s in (
        Scale("deg", "angle", 1.0),
        Scale("rad", "angle", 180.0 / math.pi),
        Scale("mrad", "angle", 0.18 / math.pi),
        Scale("mdeg", "angle", 1e-3),
        Scale("rev", "angle", 360.0),
        Scale("mm", "angle", 1.0, linear=True),
        Scale("deg/s", "rate", 1.0),
        Scale("rad/s", "rate", 180.0 / math.pi),
        Scale("rev/s", "rate", 360.0),
        Scale("mrad/s", "rate", 0.18 / math.pi),
        Scale("mdeg/s", "rate", 1e-3),
        Scale("rpm", "rate", 6.0),
        Scale("mm/s", "rate", 1.0, linear=True),
        Scale("A", "current", 1.0),
        Scale("mA", "current", 1e-3),
        Scale("N m", "torque", 1.0),
        Scale("mN m", "torque", 1e-3),
        Scale("kN m", "torque", 1e3),
        Scale("degC", "temperature", 1.0),
        Scale("K", "temperature", 1.0, -273.15),
        Scale("degF", "temperature", 5.0 / 9.0, -160.0 / 9.0),
        Scale("kg", "mass", 1.0),
        Scale("g", "mass", 1e-3),
        Scale("t", "mass", 1000.0),
        Scale("lb", "mass", 0.45359237),
    )
}

SPELLINGS: dict[str, str] = {
    "°": "deg",
    "degree": "deg",
    "degrees": "deg",
    "radian": "rad",
    "radians": "rad",
    "turn": "rev",
    "turns": "rev",
    "dps": "deg/s",
    "°/s": "deg/s",
    "deg_s": "deg/s",
    "degps": "deg/s",
    "degs": "deg/s",
    "deg/sec": "deg/s",
    "degrees/s": "deg/s",
    "deg*s-1": "deg/s",
    "rads": "rad/s",
    "mdeg_s": "mdeg/s",
    "mrad_s": "mrad/s",
    "rad_s": "rad/s",
    "radps": "rad/s",
    "rad/sec": "rad/s",
    "rps": "rev/s",
    "r/min": "rpm",
    "rev/min": "rpm",
    "mm_s": "mm/s",
    "mm/sec": "mm/s",
    "amp": "A",
    "amps": "A",
    "ampere": "A",
    "amperes": "A",
    "ma": "mA",
    "milliamp": "mA",
    "milliamps": "mA",
    "°c": "degC",
    "c": "degC",
    "degc": "degC",
    "deg_c": "degC",
    "celsius": "degC",
    "nm": "N m",
    "n*m": "N m",
    "n.m": "N m",
    "n·m": "N m",
    "newton_metre": "N m",
    "newtonmeter": "N m",
    "mnm": "mN m",
    "knm": "kN m",
    "grad": "deg",
    "grado": "deg",
    "grados": "deg",
    "gradi": "deg",
    "degre": "deg",
    "degres": "deg",
    "°/sec": "deg/s",
    "grad/s": "deg/s",
    "u/min": "rpm",
    "tr/min": "rpm",
    "giri/min": "rpm",
    "k": "K",
    "kelvin": "K",
    "°f": "degF",
    "f": "degF",
    "degf": "degF",
    "fahrenheit": "degF",
    "kgs": "kg",
    "tonne": "t",
    "tonnes": "t",
    "ton": "t",
    "lbs": "lb",
}
"""Other spellings met in unit rows and column names, in lower case."""


def scale(unit: str, measures: str, *, file: object = None, where: str = "") -> Scale:
    """Return the scale of ``unit``; LogMapError when it is not one of ours."""
    found = find(unit)
    known = ", ".join(s.unit for s in SCALES.values() if s.measures == measures)
    if found is None:
        raise LogMapError(f"{where}: unknown unit {unit!r}", file=file, todo=f"one of {known}")
    if found.measures != measures:
        raise LogMapError(
            f"{where}: {unit!r} measures {found.measures}, not {measures}",
            file=file,
            todo=f"one of {known}",
        )
    return found


def find(unit: str) -> Scale | None:
    """Return the scale of a unit however it is spelt, or None."""
    text = unit.strip()
    if text in SCALES:
        return SCALES[text]
    lower = text.lower()
    if lower in SPELLINGS:
        return SCALES[SPELLINGS[lower]]
    for name, s in SCALES.items():
        if name.lower() == lower:
            return s
    return None
