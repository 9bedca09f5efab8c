"""Plots for paper: vectors that read well in grey."""
