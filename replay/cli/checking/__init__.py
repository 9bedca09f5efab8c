"""Verbs that learn what is usual and find what is not."""
