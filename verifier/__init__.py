"""Functional test and close-out of repaired electronic units.

Start with `verifier.flow`: the whole run on one page, room by room.
"""

__version__ = "0.1.0"
