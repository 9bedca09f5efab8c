"""Verdicts and dispositions: what people concluded, on which scales, what it teaches."""
