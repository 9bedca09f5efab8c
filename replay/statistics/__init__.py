"""Statistics of plain arrays: no arm, no joint, no session; every room may use them.

What scipy keeps well is used from there (`scipy.special`, `scipy.stats`). What
stands here is what it lacks or does at another price; each file says which.
"""
