"""Verbs that bring logs in and list them."""
