"""Logs in many layouts, made by generators, each with the values it was made from."""
