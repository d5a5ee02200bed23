"""Settings for every test."""

import os

from hypothesis import settings

# A busy machine is no failure: no test is timed, not even by hypothesis.
settings.register_profile("untimed", deadline=None)
settings.register_profile("long", deadline=None, max_examples=int(os.environ.get("VERIFIER_EXAMPLES", "5000")))
settings.load_profile("long" if os.environ.get("VERIFIER_LONG") else "untimed")
