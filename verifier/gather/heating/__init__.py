"""Takes samples of a unit that warms up under a constant load, gives its settled rise, early and with its
uncertainty.

Pure functions on numpy arrays; nothing here reads a sensor or makes heat.

`foster`        the model, its starting values, and the full fit of one or two terms
`correlation`   over how many samples a residual remembers
`forecast`      what the rise may settle at, while it is still rising
`looks`         when to look, and how much wider than its nominal width an interval is kept (`calibration.json`)
`estimate`      from the samples so far to all of that at once; the second estimate from cooling down
`ambient`       air that warms while the unit does
`disturbance`   what spoils a heating: load, clock, fans, a curve of another shape
"""
