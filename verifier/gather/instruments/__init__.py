"""Takes the descriptions in the station's folder, gives readings of bench instruments with their uncertainty.

`description` says what an instrument is; `dialogue` talks to one over a `line`; `server` is the process that
owns all of a station's ports, `watchdog` the one that makes safe when it dies, `bench` the engine's side of both.
This is a convenience, not a safety function.
"""
