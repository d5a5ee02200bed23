"""Takes recorded samples, gives what there is to know of them: level, distortion, hum, channels.

Pure functions on numpy arrays; nothing here plays or records. `sine` and `spectrum` are the arithmetic,
`stimulus` is what is played, `loop` holds a recording against it.
"""
