"""The station's `instruments/` folder -> instruments; every file is held against these rules.

1. NAME.toml describes one instrument; NAME, lower-case words joined by hyphens, is what suites call it.
2. `kind` names a shipped description; what the file says itself comes before what the kind says.
3. An instrument that can identify itself states its serial number, so that two swapped ones are told apart.
4. Whatever can supply, load, heat or switch has a safe state, ceilings, and trips of its own (or says why not).
5. What has an accuracy specification has a due date.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from verifier.declare.model_file import load_model
from verifier.declare.notes import Notes
from verifier.declare.spelling import shown
from verifier.errors import InputError
from verifier.gather.instruments.description import Instrument
from verifier.gather.instruments.replies import template_problem
from verifier.gather.ports import usable

_KINDS = Path(__file__).parent / "kinds"
_DATES = frozenset({"calibrated", "due", "until"})
_NAME = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
FOLDER = "instruments"
"""Of a station: one file an instrument."""
MOST = 100


def kinds() -> list[str]:
    """Names of the shipped descriptions."""
    return sorted(path.stem for path in _KINDS.glob("*.toml"))


def kind_text(kind: str) -> str:
    """A shipped description as it stands. InputError when there is none of that name."""
    if kind not in kinds():
        raise InputError(f"there is no kind {kind[:60]!r}", to_do=f"There are: {', '.join(kinds())}.")
    return (_KINDS / f"{kind}.toml").read_text("utf-8")


def load_instruments(folder: Path) -> dict[str, Instrument]:
    """The instruments described in a folder, by name; none where there is no folder.

    Raises InputError or InputProblems for a file that cannot be used.
    """
    if not folder.is_dir():
        return {}
    files = sorted(folder.glob("*.toml"))
    if len(files) > MOST:
        raise InputError(f"more than {MOST} instruments", where=str(folder))
    found = {}
    for file in files:
        if not _NAME.fullmatch(file.stem) or len(file.stem) > 64:
            raise InputError(
                "an instrument's file is called by lower-case words joined by hyphens",
                where=str(file),
                to_do="Rename it, such as bench-meter.toml.",
            )
        found[file.stem] = load_instrument(file)
    _refuse_shared_ports(folder, found)
    return found


def load_instrument(file: Path, *, serial_known: bool = True) -> Instrument:
    """One file. InputError or InputProblems where it cannot be used.

    Without `serial_known` it may leave out the serial number: for whoever asks the instrument which it is.
    """

    def rules(notes: Notes, instrument: Instrument) -> None:
        _rules(notes, instrument)
        if serial_known and instrument.identity is not None and not instrument.serial:
            to_do = f"`verifier station instruments try {file.stem}` shows what it answers."
            notes.error(("serial",), "serial is missing: the instrument must answer with it", to_do)

    return load_model(file, Instrument, dates=_DATES, rules=rules, prepare=with_kind)


def with_kind(data: dict[str, Any]) -> dict[str, Any]:
    """What a file says, laid over what its kind says."""
    kind = data.get("kind")
    if not isinstance(kind, str):
        return data
    if kind not in kinds():
        return {"kind": kind}  # told by the rules; what its kind would have brought is no mistake of the file
    return _merged(tomllib.loads(kind_text(kind)), data)


def _merged(below: dict[str, Any], above: dict[str, Any]) -> dict[str, Any]:
    merged = dict(below)
    for key, value in above.items():
        here = merged.get(key)
        merged[key] = _merged(here, value) if isinstance(here, dict) and isinstance(value, dict) else value
    return merged


def _refuse_shared_ports(folder: Path, found: dict[str, Instrument]) -> None:
    names: dict[str, str] = {}
    for name, instrument in found.items():
        if instrument.port in names and not instrument.port.startswith("loop://"):
            raise InputError(
                f"{names[instrument.port]} and {name} have the same port {instrument.port}",
                where=str(folder),
                to_do="Mend one of the two files.",
            )
        names[instrument.port] = name


def _rules(notes: Notes, instrument: Instrument) -> None:
    if instrument.kind is not None and instrument.kind not in kinds():
        notes.error(("kind",), f"there is no kind {shown(instrument.kind)}", notes.hint(instrument.kind, kinds()))
        return
    if not instrument.port:
        notes.error(("port",), "port is missing", "Add it: `verifier station instruments find` looks for ports.")
    elif not usable(instrument.port):
        to_do = "It is /dev/..., socket://ADDRESS:PORT or loop://."
        notes.error(("port",), f"{shown(instrument.port)} is no port that may be opened", to_do)
    if instrument.identity is not None:
        if "{serial}" not in instrument.identity.reply:
            notes.error(
                ("identity", "reply"), "the reply names no {serial}", "Say where the serial number stands."
            )
        _reply(notes, ("identity", "reply"), instrument.identity.reply)
    elif instrument.serial or instrument.model:
        notes.error(("identity",), "an instrument that states serial or model has an [identity]", "Add it.")
    _quantities(notes, instrument)
    if instrument.energises:
        _energising(notes, instrument)
    elif instrument.ceilings or instrument.trips:
        notes.error(("ceilings",), "an instrument that sets nothing has no ceilings and no trips")
    if instrument.override is not None and instrument.due is None:
        notes.error(("override",), "an override is about a due date, and there is none", "Add due.")


def _quantities(notes: Notes, instrument: Instrument) -> None:
    for name, quantity in instrument.quantities.items():
        at = ("quantities", name)
        _template(notes, (*at, "reply"), quantity.reply, "{value}")
        _reply(notes, (*at, "reply"), quantity.reply)
        if quantity.ask_in_range:
            _template(notes, (*at, "ask_in_range"), quantity.ask_in_range, "{value}")
        for number, accuracy in enumerate(quantity.ranges):
            place = (*at, "ranges", number)
            if accuracy.full_scale is None and (accuracy.of_range or len(quantity.ranges) > 1):
                notes.error(place, "full_scale is missing", "Give the range in the unit of the quantity.")
            if not (accuracy.of_reading or accuracy.of_range or accuracy.counts or accuracy.absolute):
                notes.error(place, "it states no accuracy", "Give of_reading, of_range, counts or absolute.")
    if any(q.ranges for q in instrument.quantities.values()) and instrument.due is None:
        notes.error(("due",), "due is missing: what has an accuracy specification is calibrated", "Add the date.")


def _energising(notes: Notes, instrument: Instrument) -> None:
    if instrument.safe is None:
        notes.error(("safe",), "what can supply, load, heat or switch needs a safe state", "Add [safe].")
    for name, setting in instrument.sets.items():
        _template(notes, ("sets", name, "set"), setting.set, "{value}")
        _template(notes, ("sets", name, "reply"), setting.reply, "{value}")
        _reply(notes, ("sets", name, "reply"), setting.reply)
        if name not in instrument.ceilings:
            to_do = "Add the most that any suite may set at this station."
            notes.error(("ceilings", name), f"the ceiling of {name} is missing", to_do)
    for name in instrument.ceilings:
        if name not in instrument.sets:
            notes.error(("ceilings", name), f"{shown(name)} cannot be set", notes.hint(name, instrument.sets))
    if not instrument.trips and not instrument.no_trips:
        to_do = "Add [trips.NAME], or no_trips with the reason."
        notes.error(("trips",), "it declares no trips of its own", to_do)
    for name, trip in instrument.trips.items():
        _template(notes, ("trips", name, "set"), trip.set, "{value}")
        _template(notes, ("trips", name, "reply"), trip.reply, "{value}")
        _reply(notes, ("trips", name, "reply"), trip.reply)
        if trip.of not in instrument.sets:
            notes.error(
                ("trips", name, "of"), f"{shown(trip.of)} cannot be set", notes.hint(trip.of, instrument.sets)
            )
    if instrument.channels is not None:
        _template(notes, ("channels", "close"), instrument.channels.close, "{channel}")
        _template(notes, ("channels", "open"), instrument.channels.open, "{channel}")
    if instrument.sets and instrument.output is None:
        notes.error(("output",), "what is set needs an output that can be switched", "Add [output].")


def _template(notes: Notes, at: tuple[str | int, ...], text: str, place: str) -> None:
    if text.count(place) != 1:
        notes.error(at, f"{shown(text)} does not hold {place} once")


def _reply(notes: Notes, at: tuple[str | int, ...], text: str) -> None:
    if problem := template_problem(text):
        notes.error(at, f"{shown(text)} fits no reply for sure: {problem}")
