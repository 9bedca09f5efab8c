"""Wear, and a unit on one sheet."""
