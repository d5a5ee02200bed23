"""Takes a probe's name and settings, gives its readings from a process that cannot take the bench down."""
