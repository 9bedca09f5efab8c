"""A session: its replay, data and pins."""
