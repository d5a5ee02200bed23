"""Was this unit quarantined at this station before?

1. The store says which runs did not end so; all others are read from their sealed records. What the store does not
   hold (the disk was full then) is so found too, and a correction of the serial number counts.
2. A record that was voided or superseded counts no more.
3. A run that was not sealed counts by its journal: who walks away from a swollen cell leaves it like that.
4. What was simulated never counts.
5. What cannot be read counts by what the store holds of it, if anything.
"""

from __future__ import annotations

from pathlib import Path

from verifier.errors import InputError, VerifierError
from verifier.gather.earlier_quarantine import EarlierQuarantine
from verifier.gather.journal import read
from verifier.gather.state import replay
from verifier.judge import outcome
from verifier.judge.disposition import QUARANTINE
from verifier.readings import Disposition
from verifier.seal import Proofs, TrustList, amendments_of, proofs_from, read_sealed, record_in
from verifier.store.records import how_they_ended
from verifier.store.station import Station
from verifier.store.trusted import own_keys


def quarantined_before(station: Station, model: str, serial: str) -> EarlierQuarantine | None:
    """The newest run here that quarantined the unit and still stands; None where there is none."""
    try:
        stored = how_they_ended(station.store_file)
    except InputError:
        stored = {}  # then all records are read
    own, proofs = own_keys(station), proofs_from(station.ledger)
    for run in sorted((folder.name for folder in station.runs.iterdir()), reverse=True):
        row = stored.get(run)
        if row is not None and (row.role == "simulated" or row.disposition != Disposition.QUARANTINED):
            continue
        file = record_in(station.runs / run)
        try:
            if file is not None:
                found = _sealed(file, model, serial, own, proofs)
            else:
                found = _open(station.runs / run / "journal", model, serial)
        except (VerifierError, OSError):
            told = row is not None and (row.model, row.serial) == (model, serial)
            found = _earlier(run, row.ended, row.reason) if row is not None and told else None
        if found is not None:
            return found
    return None


def _sealed(file: Path, model: str, serial: str, own: TrustList, proofs: Proofs) -> EarlierQuarantine | None:
    sealed = read_sealed(file)
    record, standing = sealed.record, amendments_of(file.parent, sealed, own, proofs)
    if (
        record.role == "simulated"
        or record.outcome.disposition is not Disposition.QUARANTINED
        or record.suite.model != model
        or standing.fields(record)["serial"] != serial
        or standing.voided
        or standing.superseded
    ):
        return None
    return _earlier(record.run, record.times.ended, record.outcome.reason)


def _open(journal: Path, model: str, serial: str) -> EarlierQuarantine | None:
    # Most open runs are of other units; to look for the number first spares taking them all in.
    if (
        not journal.is_file()
        or serial.encode() not in journal.read_bytes()
        or not (events := read(journal).events)
    ):
        return None
    state = replay(events)
    if (
        state.role == "simulated"
        or state.quarantined is None
        or (state.plan.suite.model, state.serial) != (model, serial)
    ):
        return None
    found = outcome(state.plan, state.counting_attempts(), state.waived, state.quarantined)
    return _earlier(state.run, state.last.wall, found.reason, sealed=False)


def _earlier(run: str, ended: str, reason: str, *, sealed: bool = True) -> EarlierQuarantine:
    """Without what to do with a unit that is quarantined now: only what was found then."""
    return EarlierQuarantine(run, ended[:10], reason.removeprefix(f"{QUARANTINE}. "), sealed)
