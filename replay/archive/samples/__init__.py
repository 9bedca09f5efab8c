"""A session's channels as they rest: logs, samples, overviews, and what a plot needs of them."""
