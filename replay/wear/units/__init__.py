"""Units: what they did, what was done to them, their limits, the fleet."""
