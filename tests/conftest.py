"""Settings for every test."""

from hypothesis import settings

# A busy machine is no failure: no test is timed, not even by hypothesis.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")
