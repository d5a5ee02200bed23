"""The built-in probes, one module a subject."""
