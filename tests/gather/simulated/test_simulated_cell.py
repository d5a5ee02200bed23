"""The coin cell of a simulated unit, as the instruments of the bench beside it find it."""

from __future__ import annotations

from typing import Any

import anyio
import pytest

from verifier.gather.catalogue import load_catalogue
from verifier.gather.instruments.bench import InstrumentHost
from verifier.gather.simulated import Description, SimulatedHost, load_description
from verifier.gather.virtual_time import VirtualClocks, backend_options
from verifier.gather.workers.running import run_probe
from verifier.readings import Reading
from verifier.shipped import find_suite

METER = {"kind": "scpi-multimeter", "serial": "MM-1"}
FINE = [{"of_reading": 0.0, "absolute": 0.0, "resolution": 1e-9}]
LOAD = {"meter": "meter", "relay": "relays", "load": 1000.0}


def take(probe: str, settings: dict[str, Any], **cell: Any) -> dict[str, Any]:
    """What the probe reads of the counter terminal with such a cell, by name."""
    described = load_description(find_suite("marrowby-quayside").parent / "unit.toml").to_json()
    described["cell"] = {"volts": 3.05, "ohms": 15.0, **cell}
    meter = described["bench"]["meter"]["instrument"]["quantities"]
    meter["voltage"]["ranges"] = meter["current"]["ranges"] = FINE
    described["bench"]["in-lead"] = {**described["bench"]["meter"], "at": "backup"}
    clocks = VirtualClocks(1)
    instruments = SimulatedHost(Description.model_validate(described), 1, clocks).instruments()

    async def collect() -> dict[str, Any]:
        steps = run_probe(load_catalogue().probe(probe), InstrumentHost(instruments, clocks, 60.0), settings)
        return {step.name: step.value async for step in steps if isinstance(step, Reading)}

    return anyio.run(collect, backend_options=backend_options(clocks))


def test_a_good_cell_holds_under_the_test_load_and_a_worn_one_does_not() -> None:
    """Ohm's law: 3.05 V × 1000/1015, and 2.98 V × 1000/1150."""
    good, worn = take("cell.voltage", LOAD), take("cell.voltage", LOAD, volts=2.98, ohms=150.0)
    assert good["open"] == pytest.approx(3.05) and good["loaded"] == pytest.approx(3.0049, abs=1e-4)
    assert worn["open"] == pytest.approx(2.98) and worn["loaded"] == pytest.approx(2.5913, abs=1e-4)


def test_reversed_and_off_are_seen() -> None:
    reversed_ = take("cell.voltage", LOAD, reversed=True)
    assert reversed_["right_way_up"] is False and reversed_["loaded"] == pytest.approx(-3.0049, abs=1e-4)
    assert take("cell.voltage", LOAD, connected=False)["open"] == 0.0


def test_what_the_clock_draws_is_measured_in_the_lead() -> None:
    """4.5 µA, as the unit's description has it; nothing through a lead that is off."""
    lead = {"meter": "in-lead"}
    assert take("cell.life", lead)["current"] == pytest.approx(4.5e-6)
    assert take("cell.life", lead, connected=False)["current"] == 0.0
