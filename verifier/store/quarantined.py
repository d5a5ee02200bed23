"""Was this unit quarantined at this station before?

1. The store says which runs did not end so; all others are read from their sealed records. What the store does not
   hold (the disk was full then) is so found too, and a correction of the serial number counts.
2. A record that was voided or superseded counts no more.
3. What was simulated never counts.
4. A record that ended so and cannot be read counts by what the store holds of it.
"""

from __future__ import annotations

from verifier.errors import InputError, VerifierError
from verifier.gather.earlier_quarantine import EarlierQuarantine
from verifier.judge.disposition import QUARANTINE
from verifier.readings import Disposition
from verifier.seal import amendments_of, proofs_from, read_sealed, record_in
from verifier.store.records import how_they_ended
from verifier.store.station import Station
from verifier.store.trusted import own_keys


def quarantined_before(station: Station, model: str, serial: str) -> EarlierQuarantine | None:
    """The newest sealed run here that quarantined the unit and still stands; None where there is none."""
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
        if file is None:
            continue
        try:
            sealed = read_sealed(file)
            standing = amendments_of(file.parent, sealed, own, proofs)
        except (VerifierError, OSError):
            if row is not None and (row.model, row.serial) == (model, serial):
                return _earlier(run, row.ended, row.reason)
            continue
        record = sealed.record
        if (
            record.role != "simulated"
            and record.outcome.disposition is Disposition.QUARANTINED
            and record.suite.model == model
            and standing.fields(record)["serial"] == serial
            and not standing.voided
            and not standing.superseded
        ):
            return _earlier(run, record.times.ended, record.outcome.reason)
    return None


def _earlier(run: str, ended: str, reason: str) -> EarlierQuarantine:
    """Without what to do with a unit that is quarantined now: only what was found then."""
    return EarlierQuarantine(run, ended[:10], reason.removeprefix(f"{QUARANTINE}. "))
