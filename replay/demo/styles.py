"""How operators of the invented arm work: styles of moving."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Style:
    """How a kind of operation moves the arm."""

    single: float  # share of moves with one joint
    by_hand: float
    close_work: float  # share of slow moves
    loaded: bool = False
    person: bool = False
    changes_base: bool = False
    in_turn: bool = False  # each joint after the other, both ways


STYLES: dict[str, Style] = {
    "inspection": Style(single=0.35, by_hand=0.5, close_work=0.3),
    "cargo move": Style(single=0.3, by_hand=0.25, close_work=0.2, loaded=True),
    "technician": Style(single=0.6, by_hand=0.7, close_work=0.3, person=True),
    "walk": Style(single=0.3, by_hand=0.4, close_work=0.25, changes_base=True),
    "joint test": Style(single=1.0, by_hand=0.0, close_work=0.25, in_turn=True),
}
