"""Verbs by which people judge findings, sign and pass on."""
