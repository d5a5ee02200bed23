"""Takes a unit's clock and a reference, gives how the one stands to the other, and what that is worth.

looking       a clock that shows whole seconds, read to milliseconds
references    what the time is by a time server, a far end, a clock of the bench, a key at a minute mark
round_trip    what an exchange of times gives, bounded by how long it took
evidence      what the unit tells of its own power, its start and who sets its clock
dwell         how long the power has to be away for a rate to be decided
crystal       how a crystal's rate follows temperature
statistics    drift and Allan deviation of a log
"""
