"""Wear: what each joint unit's sessions say about it over the years."""
