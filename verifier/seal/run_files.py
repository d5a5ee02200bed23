"""What the files of a run are called. A run without a real unit on the bench says so in the names.

A name is the first thing a person sees of a copied file and the last thing that is checked, so it is
a help and no proof: the role in the seal is the proof.
"""

from __future__ import annotations

from pathlib import Path

from verifier.readings import Role

RECORD, REPORT = "sealed.json", "report.html"
MARK = "simulated"


def named(name: str, role: Role) -> str:
    """The name of a run's file under a role: `report.html`, or `report.simulated.html`."""
    stem, dot, ending = name.rpartition(".")
    return f"{stem}.{MARK}{dot}{ending}" if role == "simulated" else name


RECORD_NAMES = (RECORD, named(RECORD, "simulated"))
REPORT_NAMES = (REPORT, named(REPORT, "simulated"))


def record_in(folder: Path) -> Path | None:
    """The sealed record in a run's folder, by either name; None while the run is not sealed."""
    return _first(folder, RECORD_NAMES)


def report_in(folder: Path) -> Path | None:
    """The report in a run's folder, by either name; None while there is none."""
    return _first(folder, REPORT_NAMES)


def _first(folder: Path, names: tuple[str, ...]) -> Path | None:
    return next((path for path in (folder / name for name in names) if path.is_file()), None)
