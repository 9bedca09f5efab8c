"""Wear: what each joint unit's sessions say about it over the years."""

from replay.wear.assessment.trends import judge, trends
from replay.wear.indicators import indicators
from replay.wear.units.duty import duty
from replay.wear.units.fleet import fleet
from replay.wear.units.limits import limits, set_limit
from replay.wear.units.maintenance import add_maintenance, maintenance
from replay.wear.units.unit_history import UnitHistory, unit_history

__all__ = [
    "UnitHistory",
    "add_maintenance",
    "duty",
    "fleet",
    "indicators",
    "judge",
    "limits",
    "maintenance",
    "set_limit",
    "trends",
    "unit_history",
]
