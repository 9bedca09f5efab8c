"""Verbs of friction and wear."""
