"""The laws that a check needs beside the model: noise, norms, tails, and the rates they give."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from replay.checks.likelihood import Noise
from replay.checks.limits.extreme_values import (
    COMMON,
    CURRENT,
    Tail,
    chance,
    family,
    prior_tail,
)
from replay.checks.limits.noise import EVERYONE
from replay.models.residuals import Floats
from replay.signatures.kinds import Shape
from replay.signatures.marks import Norm


@dataclass(frozen=True)
class Calibration:
    """All that a check needs beside the model; plain numbers."""

    noise: Mapping[str, Mapping[str, Noise]]
    """By unit (`EVERYONE` for shared shapes) and shape."""
    norms: Mapping[str, Mapping[str, Mapping[str, Norm]]]
    """By unit, measure and cell."""
    tails: Mapping[str, Tail]
    usual: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """By unit: measures that most of its sessions show beyond their prior limit."""
    whole: Mapping[str, Tail] = field(default_factory=dict)
    """By family: of -ln of the rate of its rarest statistic, what all of it together does."""

    def noise_of(self, unit: str, shape: Shape) -> Noise | None:
        """Return the noise of a shape on a unit, None where the unit was never seen.

        What training never called for (motion that was due and did not come) has no noise of
        its own: it is taken as coloured as the unit's others.
        """
        own = self.noise.get(EVERYONE if shape.shared else unit, {})
        if shape.name in own or shape.shared or shape.energy:
            return own.get(shape.name)
        plain = [n.longest for name, n in own.items() if n.centre <= 0]
        return Noise((max(plain),), 0.0) if plain else None

    def norms_of(self, unit: str, measure: str) -> Mapping[str, Norm]:
        """Return a measure's norms of a unit, those of all units where it has none."""
        own = self.norms.get(unit, {}).get(measure, {})
        return {**self.norms.get(EVERYONE, {}).get(measure, {}), **own}

    def surprise(self, statistic: str, value: Floats) -> Floats:
        """Return -ln of a statistic's rate times the number of statistics in its family."""
        tail = self.tails.get(statistic) or prior_tail()  # training showed none of it
        many = sum(family(name) == family(statistic) for name in self.tails)
        return np.asarray(-tail.log_rate(value) - np.log(max(many, 1)))

    def rate(self, kind: str, surprise: Floats) -> Floats:
        """Return ln of the rate at which any family is as rare as one is."""
        law = self.whole.get(kind, Tail(0.0, 1.0, 1.0))
        share = 0.5 if kind == CURRENT else 0.5 / max(len(self.whole) - 1, 1)
        return np.asarray(law.log_rate(surprise) - np.log(share))

    def score(self, statistic: str, value: Floats) -> Floats:
        """Return -log10 of the chance that a healthy joint-hour shows anything as rare."""
        own = self.seldom(statistic)
        if own is not None:
            return chance(own.log_rate(value))
        return chance(self.rate(family(statistic), self.surprise(statistic, value)))

    def seldom(self, statistic: str) -> Tail | None:
        """Return the tail of what training seldom showed: its prior needs no account of others."""
        tail = self.tails.get(statistic) or prior_tail()
        return tail if tail.share < COMMON else None

    def to_plain(self) -> dict[str, Any]:
        """Return what JSON holds."""
        return {
            "noise": {
                u: {
                    s: {
                        "phi": list(n.phi),
                        "omega": n.omega,
                        "centre": n.centre,
                        "energy": n.usual_energy,
                        "swell": list(n.swell),
                    }
                    for s, n in by.items()
                }
                for u, by in self.noise.items()
            },
            "norms": {
                u: {m: {c: list(n) for c, n in cells.items()} for m, cells in by.items()}
                for u, by in self.norms.items()
            },
            "tails": {name: tail.to_plain() for name, tail in self.tails.items()},
            "usual": {u: list(names) for u, names in self.usual.items()},
            "whole": {name: tail.to_plain() for name, tail in self.whole.items()},
        }

    @classmethod
    def from_plain(cls, data: Mapping[str, Any]) -> Calibration:
        """Rebuild from a stored document."""
        return cls(
            noise={
                u: {
                    s: Noise(
                        tuple(n["phi"]), n["omega"], n["centre"], n["energy"], tuple(n["swell"])
                    )
                    for s, n in by.items()
                }
                for u, by in data["noise"].items()
            },
            norms={
                u: {
                    m: {c: (float(n[0]), float(n[1])) for c, n in cells.items()}
                    for m, cells in by.items()
                }
                for u, by in data["norms"].items()
            },
            tails={name: Tail(**tail) for name, tail in data["tails"].items()},
            usual={u: tuple(names) for u, names in data["usual"].items()},
            whole={name: Tail(**tail) for name, tail in data["whole"].items()},
        )
