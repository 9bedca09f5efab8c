"""The reference model: a unit's current apart from wear, and where it is kept."""
