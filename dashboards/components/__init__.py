"""Pieces of pages, made of figures and Dash elements."""
