"""Which unit is on the bench: the serial numbers that exist, held against each other."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import aclosing
from typing import Any, Protocol

from verifier.declare.suite import PromptKind
from verifier.errors import Absent, BenchFault, NotPossible, VerifierError
from verifier.gather.prompts.question import LABEL, Asker, Question
from verifier.gather.serials import agree, serial_problem
from verifier.gather.state import RunState, to_json
from verifier.gather.taking import Taker
from verifier.readings import Catalogue, Reading, SerialNumber


class Journalled(Protocol):
    """Whoever journals an event and takes it into the state."""

    @property
    def state(self) -> RunState: ...

    def append(self, kind: str, data: Mapping[str, Any]) -> None: ...


async def identify(run: Journalled, catalogue: Catalogue, taker: Taker, asker: Asker) -> None:
    """Collect the serial numbers that exist and hold them against each other, at start and at each resume.

    Raises WrongUnit, after journalling what each source said.
    """
    state, serial = run.state, run.state.plan.suite.serial
    stated = [
        SerialNumber(source="option", value=state.typed_serial, note="" if state.typed_serial else "not given"),
        SerialNumber(
            source="order",
            value=state.plan.order.serial,
            note="" if state.plan.order.serial else "no serial number in the order",
        ),
    ]
    fresh = [await _from_firmware(state, catalogue, taker)]
    if serial.label:
        fresh.append(await _from_label(state, asker))
    for number in fresh if state.serials else [*stated, *fresh]:
        run.append("serial", {"serial": to_json(number)})
    try:
        agreed = agree(serial, [*stated, *fresh], state.serial)
    except VerifierError as error:
        run.append("stopped", {"why": error.what})
        raise
    if agreed != state.serial:
        run.append("unit", {"serial": agreed})


async def _from_firmware(state: RunState, catalogue: Catalogue, taker: Taker) -> SerialNumber:
    wanted = state.plan.suite.serial.firmware
    if wanted is None:
        return SerialNumber(source="firmware", value=None, note="this model's firmware states none")
    declaration = catalogue.declaration(wanted.probe)
    if declaration is None:
        return SerialNumber(source="firmware", value=None, note=f"there is no probe {wanted.probe}")
    try:
        taken = taker.take(
            wanted.probe,
            wanted.settings,
            state.at,
            declaration=declaration,
            deadline=declaration.timeout,
        )
        async with aclosing(taken) as readings:
            given = [r async for r in readings if isinstance(r, Reading)]
        said = [str(r.value) for r in given if r.name == wanted.reading]
        if said:
            return SerialNumber(source="firmware", value=said[0])
    except (Absent, NotPossible, BenchFault) as error:
        return SerialNumber(source="firmware", value=None, note=error.what)
    return SerialNumber(source="firmware", value=None, note="the firmware states none that can be read")


async def _from_label(state: RunState, asker: Asker) -> SerialNumber:
    serial = state.plan.suite.serial

    def wrong(value: object) -> str:
        problem = serial_problem(serial, str(value))
        return f"That {problem}. Scan the label again." if problem else ""

    question = Question(
        check=LABEL,
        kind=PromptKind.SCAN,
        title="Serial number",
        say="Scan the serial number on the unit's label.",
        accepts=wrong,
    )
    try:
        given = await asker.ask(question)
    except NotPossible as error:
        return SerialNumber(source="label", value=None, note=error.what)
    return SerialNumber(source="label", value=str(given.value))
