"""One family of errors. Every one says what is wrong, where, and what to do next.

Commands turn any `VerifierError` into a plain sentence on standard error and its `exit_code`;
a user never sees a traceback. Probes raise the three in the last section to say what they met.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


class VerifierError(Exception):
    """Something a person has to know about: `what` is wrong, `where`, and what `to_do` next."""

    exit_code = 2

    def __init__(self, what: str, *, where: str = "", to_do: str = "") -> None:
        self.what, self.where, self.to_do = what, where, to_do
        super().__init__(what, where, to_do)

    def __reduce__(self) -> tuple[object, ...]:
        # Exceptions with keyword arguments do not survive pickling by themselves.
        return (_rebuild, (type(self), self.what, self.where, self.to_do))

    def __str__(self) -> str:
        text = f"{self.where}: {self.what}" if self.where else self.what
        return f"{text}\n  {self.to_do}" if self.to_do else text


def _rebuild(kind: type[VerifierError], what: str, where: str, to_do: str) -> VerifierError:
    return kind(what, where=where, to_do=to_do)


class InputError(VerifierError):
    """A file, an option or an answer that a person gave cannot be used."""


class HostError(VerifierError):
    """The host named with `--at` cannot be used at all."""


class WrongUnit(VerifierError):
    """The serial numbers of label, firmware and order disagree: this is not the unit it should be."""


class JournalError(VerifierError):
    """The journal cannot be written, or what stands in it cannot be believed."""


class RunBusy(VerifierError):
    """Another process is working on this run."""


class SealError(VerifierError):
    """A key, a ledger or a sealed file breaks a rule of the seal."""


@dataclass(frozen=True, slots=True, order=True)
class Problem:
    """One thing wrong in a file, with its place.

    `line` and `column` count from 1; 0 means that no place is known. `path` is the key path,
    such as `checks[2].limits[0].unit`. `to_do` names the nearest valid spelling where there is one.
    """

    line: int
    column: int
    path: str
    what: str
    to_do: str = ""
    severity: Literal["error", "warning"] = "error"

    def sentence(self, file: str) -> str:
        place = f"{file}:{self.line}:{self.column}" if self.line else file
        key = f" {self.path}:" if self.path else ""
        hint = f" {self.to_do}" if self.to_do else ""
        mark = "warning:" if self.severity == "warning" else "error:"
        return f"{place}: {mark}{key} {self.what}.{hint}"


class InputProblems(InputError):
    """All the problems of one file at once: a person mends a file once, not once a problem."""

    def __init__(self, file: str, problems: list[Problem]) -> None:
        self.file, self.problems = file, sorted(problems)
        super().__init__("\n".join(p.sentence(file) for p in self.problems))

    def __reduce__(self) -> tuple[object, ...]:
        return (InputProblems, (self.file, self.problems))


# What a probe can meet. The engine turns each into a verdict; none of them ends the run.


class Absent(VerifierError):
    """The hardware that the check asks for is not there. The suite says whether that fails."""


class NotPossible(VerifierError):
    """The reading cannot be taken here (a missing service, privilege or tool): `not-run`."""


class BenchFault(VerifierError):
    """Probe, instrument or bench failed: `bench-error`, never blamed on the unit."""


class Refused(BenchFault):
    """The unit is there and answers, but not with what it was asked for. Whoever knows why may make more of it."""
