"""Takes a probe's name and settings, gives its readings from a process that cannot take the bench down."""

from verifier.gather.workers.pool import WorkerPool
from verifier.gather.workers.running import run_probe, settings_of

__all__ = ["WorkerPool", "run_probe", "settings_of"]
