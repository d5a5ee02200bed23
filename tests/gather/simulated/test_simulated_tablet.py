"""What a simulated tablet has beside the rest, as the probes read it, and its faults."""

from __future__ import annotations

from typing import Any

import anyio
import pytest

from verifier.declare.lint import load_suite
from verifier.gather.catalogue import load_catalogue
from verifier.gather.simulated import (
    Hands,
    ScriptedTechnician,
    SimulatedHost,
    SimulatedTaker,
    catalogue_for,
    injected,
    load_description,
)
from verifier.gather.simulated import with_faults as put_in
from verifier.gather.virtual_time import VirtualClocks, backend_options
from verifier.readings import Reading, Value
from verifier.shipped import find_suite
from verifier.steps import Cue

FILE = find_suite("marrowby-gangway").parent / "unit.toml"
UNIT = load_description(FILE)
FAULTS = catalogue_for(FILE, UNIT)
CATALOGUE = load_catalogue()
SUITE = load_suite(find_suite("marrowby-gangway"), CATALOGUE).suite


def take(check: str, *faults: str, seed: int = 3) -> dict[str, Value]:
    """What the probe of one check of the suite reads, with its settings there."""
    unit, clocks, asked = (
        put_in(UNIT, FAULTS, injected(UNIT, FAULTS, faults)),
        VirtualClocks(seed),
        SUITE.check(check),
    )
    declaration = CATALOGUE.declaration(asked.probe or "")
    assert declaration is not None

    async def main() -> dict[str, Value]:
        host = SimulatedHost(unit, seed, clocks)
        hands, found = Hands(ScriptedTechnician(SUITE, host), host), dict[str, Value]()
        settings: dict[str, Any] = dict(asked.settings)
        taken = SimulatedTaker(host, CATALOGUE).take(
            declaration.name, settings, "simulated", declaration=declaration, deadline=1e6
        )
        async for step in taken:
            if isinstance(step, Cue):
                await hands.cue("a check", step)
            elif isinstance(step, Reading):
                found[step.name] = step.value
        return found

    return anyio.run(main, backend_options=backend_options(clocks))


def test_battery_charges_with_constant_current_then_voltage_and_ends() -> None:
    """World of the demo: 1.9 A to 4.35 V, taper to 0.2 A; 7.6 A·h from 86 % take some 40 min or more."""
    found = take("charge")
    assert found["current"] == pytest.approx(1.9, abs=0.01)
    assert found["voltage_end"] == pytest.approx(4.35, abs=0.02)
    assert found["stopped_by"] in ("taper", "full")
    assert float(found["hottest"]) < 45


def test_a_battery_that_heats_is_stopped_and_taken_off_its_charger() -> None:
    found = take("charge", "battery-hot")
    assert found["stopped_by"] not in ("taper", "full", "time", "not-charging")
    assert float(found["hottest"]) > 45 and found["ended"] is True


def test_touch_columns_that_do_not_answer_are_counted() -> None:
    """24 × 16 cells: two dead columns are 32 cells."""
    assert (take("touch")["dead"], take("touch")["ghosts"]) == (0, 0)
    assert take("touch", "touch-flex-half-seated=columns")["dead"] == 2 * 16
    assert int(take("touch", "touch-flex-half-seated=ghosts")["ghosts"]) > 0


def test_side_buttons_are_heard_as_themselves_or_as_each_other() -> None:
    assert (take("volume-buttons")["missed"], take("volume-buttons")["wrong"]) == (0, 0)
    exchanged = take("volume-buttons", "side-buttons-flex-askew=exchanged")
    assert exchanged["wrong"] == exchanged["asked"] == exchanged["missed"]


def test_gravity_shows_on_the_axis_of_the_side_it_lies_on() -> None:
    good = take("motion")
    assert good["magnitude"] == pytest.approx(9.807, abs=0.05) and good["turned"] is True
    assert take("motion", "motion-axis-dead")["turned"] is False


@pytest.mark.parametrize(("fault", "lost"), [("usb", "usb"), ("supply", "supply")])
def test_dock_brings_all_but_what_its_contacts_lose(fault: str, lost: str) -> None:
    good = take("dock")
    assert (good["supply"], good["network"], good["usb"]) == (True, True, True)
    bad = take("dock", f"dock-flex-half-seated={fault}")
    assert {name for name in ("supply", "network", "usb") if bad[name] is False} == {lost}


def test_pressure_falls_by_the_leak() -> None:
    async def main() -> float:
        host = SimulatedHost(put_in(UNIT, FAULTS, injected(UNIT, FAULTS, ["case-leaks"])), 3, clocks)
        bench = host.instruments()
        assert await bench.measure("pressure", "pressure") == pytest.approx(0.0, abs=10)
        host.state.filled_at = clocks.boot()
        first, began = await bench.measure("pressure", "pressure"), clocks.boot()
        await bench.wait(60.0)
        fell = first - await bench.measure("pressure", "pressure")
        return fell / (clocks.boot() - began)

    clocks = VirtualClocks(3)
    # 1.5 Pa/s, give or take 0.05 from unit to unit, and 0.5 % of the gauge's reading.
    assert anyio.run(main, backend_options=backend_options(clocks)) == pytest.approx(1.5, abs=0.25)
