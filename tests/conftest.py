"""What holds for all tests."""

from hypothesis import settings

# How long an example takes is the machine's, not the code's: a busy one is no failure.
settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")
