"""Verbs that look after the archive and the dashboard."""
