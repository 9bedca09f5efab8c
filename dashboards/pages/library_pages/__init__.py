"""The library of sessions, and logs taken in."""
