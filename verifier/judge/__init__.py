"""Takes readings, gives findings and the disposition of the unit."""

from verifier.judge.disposition import outcome
from verifier.judge.early import DecidedEarly
from verifier.judge.judge import SuiteJudge

__all__ = ["DecidedEarly", "SuiteJudge", "outcome"]
