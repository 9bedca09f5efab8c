"""Names of detectors as a reader says them."""

from __future__ import annotations

import re

_SPOKEN = {
    "slip": "displacement under an engaged brake",
    "silence": "samples that are missing",
    "astray": "angle against the integral of the rate",
    "angle step": "step of the angle",
    "angle drift": "drift of the angle against the rate",
    "behind": "lag behind the command",
    "push": "current without the motion it asks for",
    "held push": "current at a standstill beyond what holds or starts the joint",
    "change": "change of the residual's level",
    "shift": "shift of the residual's mean",
    "offset": "offset that does not follow the direction",
    "load": "residual in step with the load",
    "pattern": "residual at one place of the angle",
    "stop-go": "stops and starts",
    "swing": "stops and starts",
    "cycle": "speed and current that swing together",
    "tracking": "rate against the commanded rate",
    "wobble": "roughness of the rate",
    "held": "current under the engaged brake",
    "holding": "current while holding",
    "sample": "single sample",
    "sample_z": "residual of one sample",
    "release": "delay of a release",
    "release word": "delay until the brake reports released",
    "release drive": "delay of the brake's report after the drive took the load",
    "release held back": "delay of the brake's report after motion was commanded",
    "release motion": "delay until the first motion after a release",
    "release push": "push before the joint moves",
    "release push beyond": "push before the joint moves, beyond what moving takes",
    "rough": "roughness of the current",
    "spike": "spike of the current",
    "current frozen": "current that stands still",
    "angle frozen": "angle that stands still in motion",
    "angle dither": "angle that stands still at rest, where its last digit dithers",
    "lost": "values that are missing on a channel",
}

_LENGTH = re.compile(r"^(.*?)\s+(\d+(?:\.\d+)?)\s*s$")


def spoken(name: str) -> str:
    """Return a detector's name in words.

    >>> spoken("push 2s"), spoken("offset session"), spoken("coulomb:12")
    ('current without the motion it asks for, over 2 s', 'offset that does not follow \
the direction, over the session', 'coulomb, 12')
    """
    found = _LENGTH.match(name)
    family, long = (found[1], f", over {found[2]} s") if found else (name, "")
    if family.endswith(" session"):
        family, long = family.removesuffix(" session"), ", over the session"
    known = _SPOKEN.get(family)
    if known is None:
        return name.replace("_", " ").replace(":", ", ")
    return known + long
