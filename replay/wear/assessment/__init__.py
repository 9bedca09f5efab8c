"""Histories judged: trend, change point, control chart, projection."""
