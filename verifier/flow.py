"""The whole run on one page, room by room. Read this first.

    suite + repair order -> plan -> readings -> findings -> record -> report -> store

`begin` makes a new run, `reopen` takes up one that is not sealed; `carry_on` works through what is
pending and, unless the run pauses, `seal_and_show` seals it. Each step is a call into one room.
"""

from __future__ import annotations

import platform
import secrets
from base64 import b32encode
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from verifier import __version__
from verifier.declare.cautions import cautions_of
from verifier.declare.pictures import pictures_of
from verifier.declare.plan import Plan
from verifier.declare.suite import Suite
from verifier.errors import InputError, JournalError
from verifier.gather.catalogue import load_catalogue
from verifier.gather.earlier_quarantine import FindQuarantine
from verifier.gather.hosts import Access, lasting, open_host
from verifier.gather.instruments.ceilings import uses_instruments
from verifier.gather.instruments.loading import load_instruments
from verifier.gather.journal import Journal, read
from verifier.gather.session import Sitting, sit
from verifier.gather.simulation import clocks_for, clocks_of, simulation_for
from verifier.gather.state import RunState, replay, to_json
from verifier.gather.state import begin as begin_state
from verifier.judge import DecidedEarly, SuiteJudge, outcome
from verifier.readings import Disposition, Outcome, Person, Role
from verifier.store.station import Station

if TYPE_CHECKING:
    from verifier.seal import Sealed


@dataclass(slots=True)
class Running:
    """A run that is open on the bench: its folder, its state, and its locked journal."""

    station: Station
    folder: Path
    state: RunState
    journal: Journal

    @property
    def run(self) -> str:
        return self.state.run

    @property
    def sealed_file(self) -> Path:
        from verifier.seal import named, record_in

        return record_in(self.folder) or self.folder / named("sealed.json", self.state.role)


@dataclass(frozen=True, slots=True)
class Ended:
    """How far `carry_on` came."""

    outcome: Outcome | None
    """None where the run paused."""
    sealed: Sealed | None = None
    report: Path | None = None
    new_key: str = ""
    """Fingerprint of the key where sealing this run made it."""
    store_problem: str = ""
    paused_because: str = ""
    meanwhile: str = ""
    """What is to be done before the run is gone on with, where a check waits for it."""

    @property
    def exit_code(self) -> int:
        if self.outcome is None:
            return 3
        return 0 if self.outcome.disposition is Disposition.RELEASE else 1


def begin(
    station: Station,
    plan: Plan,
    *,
    at: str,
    technician: Person | None = None,
    serial: str | None = None,
    pictures: Path | None = None,
    seed: int | None = None,
    faults: Sequence[str] = (),
) -> Running:
    """Open a new run: its folder and the first line of its journal, which carries all it is about.

    `serial` is the unit's serial number as somebody typed it; `pictures` is the suite's folder, in which its
    pictures and its simulated unit are.
    `seed` decides what is left to chance in a simulated unit; without it, chance does. `faults` of its catalogue
    are put into it, as NAME or NAME=SEVERITY.
    """
    simulation = simulation_for(at, seed, plan.suite.model, faults, pictures)
    clocks = clocks_for(simulation)
    # An address that cannot be used is refused before anything is written.
    open_host(at, clocks, simulation, access_to(station, plan.suite))
    # So is an instrument's file that is wrong, where the suite uses instruments.
    catalogue = load_catalogue()
    if uses_instruments(plan.suite, catalogue):
        load_instruments(station.instruments)
    station.create()
    now = datetime.now(UTC)
    run = f"{now:%Y%m%dT%H%M%SZ}-{b32encode(secrets.token_bytes(4)).decode().lower()[:6]}"
    folder = station.runs / run
    journal = Journal.create(folder / "journal", clocks)
    event = journal.append(
        "begin",
        {
            "run": run,
            "suite_text": plan.suite_text,
            "suite_sha256": plan.suite_sha256,
            **pictures_of(plan.suite, pictures),
            "order": plan.order.model_dump(mode="json", exclude_defaults=True),
            "at": lasting(at),
            "role": role_of(at),
            "station": station.name,
            "technician": to_json(technician) if technician else None,
            "cautions": list(cautions_of(plan.suite, catalogue)),
            "typed_serial": serial,
            "software": {"verifier": __version__, "python": platform.python_version()},
            "simulation": to_json(simulation) if simulation else None,
        },
    )
    return Running(station, folder, begin_state(event), journal)


def reopen(station: Station, run: str | None) -> Running:
    """Take up a run that is not sealed; without `run`, the newest of them."""
    folder = station.runs / run if run else newest_unsealed(station)
    if run and (Path(run).name != run or not (folder / "journal").is_file()):
        raise InputError(
            f"this station has no run {run}", where=str(station.runs), to_do="`verifier runs` lists them."
        )
    from verifier.seal import report_in

    if report_in(folder):
        raise InputError(
            f"run {folder.name} is sealed: nothing in it can be changed any more",
            to_do="Start a new run for new findings.",
        )
    journal, contents = Journal.reopen(folder / "journal", clocks_of)
    if not contents.events:
        journal.close()
        raise JournalError(
            "nothing was journalled before this run was ended",
            where=folder.name,
            to_do="Nothing is lost: start anew with `verifier run`.",
        )
    # Read again: a torn line that was cut off has been journalled since.
    state = replay(read(journal.path).events)
    return Running(station, folder, state, journal)


def ssh_folder(station: Station) -> Path:
    """Where a station keeps the keys of units that it reaches over SSH, and its own to log in with."""
    return station.root / "ssh"


def access_to(station: Station, suite: Suite) -> Access:
    """What this station brings to reach a unit of this suite over SSH or a serial line."""
    return Access(keys=ssh_folder(station), console=suite.console)


def newest_unsealed(station: Station) -> Path:
    from verifier.seal import report_in

    folders = sorted(station.runs.iterdir(), reverse=True) if station.runs.is_dir() else []
    for folder in folders:
        if (folder / "journal").is_file() and not report_in(folder):
            return folder
    raise InputError(
        "there is no run to go on with",
        where=str(station.runs),
        to_do="All runs here are sealed. Start one with `verifier run SUITE`.",
    )


def role_of(at: str) -> Role:
    """Which role a run is sealed under. Only a bench that looks at another machine seals as a station."""
    if at == "local":
        return "self"
    # A recording shows what a unit once was: it is no evidence about the unit on the bench.
    return "simulated" if at.startswith(("recorded:", "simulated")) else "station"


def carry_on(running: Running, sitting: Sitting, *, resumed: bool) -> Ended:
    """Take what is pending, judge it, and seal the run; or pause."""
    state, suite = running.state, running.state.plan.suite
    if running.sealed_file.is_file():
        return seal_and_show(running)  # ended between the seal and the report
    if resumed:
        state.apply(running.journal.append("resumed", {}))
    judge = SuiteJudge(suite.decision)
    paused = sit(
        state,
        running.journal,
        sitting,
        judge=judge,
        stop_rule=DecidedEarly(judge),
        outlook=_outlook,
        access=access_to(running.station, suite),
        instruments=running.station.instruments,
        # What is simulated has no past: each unit is made anew from its description.
        earlier=_quarantined_before(running) if state.role != "simulated" else None,
    )
    if paused:
        return Ended(outcome=None, paused_because=paused, meanwhile=state.meanwhile)
    return seal_and_show(running)


def _quarantined_before(running: Running) -> FindQuarantine:
    from verifier.store.quarantined import quarantined_before

    return lambda serial: quarantined_before(running.station, running.state.plan.suite.model, serial)


def _outlook(state: RunState) -> Outcome:
    return outcome(state.plan, state.counting_attempts(), state.waived, state.quarantined)


def seal_and_show(running: Running) -> Ended:
    """From findings to a sealed record, and from that to a report. A restart completes it."""
    from verifier.seal import build_record, load_or_create, named, retired_keys, seal_run
    from verifier.store.disk import write_aside

    state, station = running.state, running.station
    key, new = load_or_create(station.keys, running.state.role)
    record, disclosed = build_record(
        state, _outlook(state), role=key.role, key=key.thumbprint, journal_sha256=running.journal.last_hash
    )
    retired = retired_keys(station.keys)
    sealed = seal_run(record, disclosed, key, station.ledger, running.sealed_file, retired=retired)
    if not state.sealed:
        state.apply(running.journal.append("sealed", {"sha256": sealed.digest}))
    report = running.folder / named("report.html", key.role)
    write_aside(report, report_page(station, sealed, running.folder))
    return Ended(
        sealed.record.outcome,
        sealed,
        report,
        new_key=key.thumbprint if new else "",
        store_problem=_store(station, sealed),
    )


def report_page(
    station: Station,
    sealed: Sealed,
    folder: Path | None = None,
    *,
    audience: Literal["bench", "customer"] = "bench",
) -> bytes:
    """The report of a sealed record with the amendments in the run's `folder`, sealed with the station's key.

    InputError when the record was not sealed at this station.
    """
    from verifier.seal import (
        Standing,
        amendments_of,
        load_or_create,
        portable,
        portable_standing,
        proofs_from,
        seal_page,
    )
    from verifier.show import RENDERER, render_customer, render_front
    from verifier.store.trusted import own_keys

    own, key_of = own_keys(station), sealed.record.station.key
    if key_of not in own or sealed.record.role not in own[key_of].roles:
        raise InputError(
            f"run {sealed.record.run} was sealed at {sealed.record.station.name} with a key that is not here",
            to_do="Render it at that station.",
        )
    standing = amendments_of(folder, sealed, own, proofs_from(station.ledger)) if folder else Standing()
    # Where a key was retired since, the copies within show that they are older, to those who have no ledger.
    sealed, standing = portable(sealed, own, station.ledger), portable_standing(standing, own, station.ledger)
    key, _ = load_or_create(station.keys, sealed.record.role)
    # A customer's copy says the same under the same seal, without anybody's name.
    raw, disclosed = (sealed.withhold(), {}) if audience == "customer" else (sealed.raw, sealed.disclosed)
    render = render_customer if audience == "customer" else render_front
    front = render(sealed.record, disclosed, raw, fingerprint=key_of, digest=sealed.digest, standing=standing)
    return seal_page(front, raw, key, RENDERER)


def _store(station: Station, sealed: Sealed) -> str:
    """Put the record into the store; what went wrong, if anything: the store never costs a report."""
    from verifier.store.records import put

    try:
        put(station.store_file, sealed.record, sealed.digest)
    except InputError as error:
        return str(error)
    return ""
