"""Hypothesis draws the same cases on every run and judges no test by the speed of the machine."""

from hypothesis import settings

settings.register_profile("ci", deadline=None, derandomize=True, print_blob=True)
settings.load_profile("ci")
