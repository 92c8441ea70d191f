"""A busy machine is no reason to fail: examples may take as long as they need."""

from hypothesis import settings

settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")
