"""Margin rules, a TOML file each."""
