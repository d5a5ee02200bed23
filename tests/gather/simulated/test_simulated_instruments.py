"""Instruments beside a simulated unit: the real dialogue at one end, nothing but a description at the other."""

from __future__ import annotations

import time
from collections.abc import Awaitable, Callable
from typing import Any, TypeVar

import anyio
import pytest

from verifier.errors import BenchFault, NotPossible
from verifier.gather.instruments.description import Instrument
from verifier.gather.instruments.loading import with_kind
from verifier.gather.simulated.instruments import FakeInstrument, SimulatedInstruments
from verifier.gather.virtual_time import VirtualClocks, backend_options

T = TypeVar("T")
RANGES = [{"full_scale": 30.0, "of_reading": 0.1, "absolute": 0.02, "resolution": 0.001}]


def described(kind: str, **more: Any) -> Instrument:
    return Instrument.model_validate(with_kind({"kind": kind, "port": "simulated", "serial": "A-1", **more}))


SUPPLY = described(
    "scpi-supply", ceilings={"voltage": 20.0, "current": 2.0}, quantities={"voltage": {"ranges": RANGES}}
)
OHMS = 10.0


def truth(quantity: str, instrument: FakeInstrument) -> float:
    """A resistance of 10 Ω across the supply; 5 V everywhere else."""
    if instrument.name != "supply":
        return 5.0
    volts = instrument.set["voltage"] if instrument.since is not None else 0.0
    return volts if quantity == "voltage" else volts / OHMS


def on_bench(act: Callable[[SimulatedInstruments, VirtualClocks], Awaitable[T]], seed: int = 1) -> T:
    clocks = VirtualClocks(seed)
    instruments = {
        "supply": SUPPLY,
        "meter": described("scpi-multimeter", quantities={"voltage": {"ranges": RANGES}}),
        "relays": described("relay-card"),
    }

    async def main() -> T:
        async with SimulatedInstruments(instruments, dict.fromkeys(instruments, truth), seed, clocks) as bench:
            return await act(bench, clocks)

    return anyio.run(main, backend_options=backend_options(clocks))


def test_what_is_measured_lies_within_the_specification_and_differs_by_seed() -> None:
    async def act(bench: SimulatedInstruments, _: VirtualClocks) -> tuple[float, float]:
        return await bench.measure("meter", "voltage"), await bench.measure("meter", "voltage")

    found = [on_bench(act, seed) for seed in range(40)]
    assert all(first == again for first, again in found), "the same all through a run"
    # 0.1 % of 5 V and 20 mV, and half a step of the last digit.
    assert all(abs(first - 5.0) <= 0.005 + 0.02 + 0.0005 for first, _ in found)
    assert len({first for first, _ in found}) > 10


def test_supply_is_set_read_back_and_switched_off_again() -> None:
    async def act(bench: SimulatedInstruments, _: VirtualClocks) -> tuple[float, bool, float]:
        await bench.switch_on("supply", {"voltage": 12.0, "current": 1.5}, 60.0)
        on = await bench.measure("supply", "voltage")
        stays = await bench.is_on("supply")
        await bench.make_safe("supply")
        return on, stays, await bench.measure("supply", "voltage")

    on, stays, off = on_bench(act)
    assert on == pytest.approx(12.0, abs=0.04) and stays and off == pytest.approx(0.0, abs=0.03)


def test_a_trip_of_its_own_switches_it_off() -> None:
    """12 V into 10 Ω is 1.2 A: above a trip a tenth over 1 A."""

    async def act(bench: SimulatedInstruments, _: VirtualClocks) -> None:
        await bench.switch_on("supply", {"voltage": 12.0, "current": 1.0}, 60.0)

    with pytest.raises(BenchFault, match="the output did not go on"):
        on_bench(act)


def test_the_stations_ceilings_hold_here_too() -> None:
    async def act(bench: SimulatedInstruments, _: VirtualClocks) -> None:
        await bench.switch_on("supply", {"voltage": 21.0, "current": 1.0}, 60.0)

    with pytest.raises(BenchFault, match="above this station's ceiling"):
        on_bench(act)


def test_relay_card_with_text_commands_closes_and_opens() -> None:
    async def act(bench: SimulatedInstruments, _: VirtualClocks) -> dict[str, str]:
        await bench.close_contact("relays", 3, 60.0)
        return await bench.make_all_safe()

    assert on_bench(act) == {"relays": "", "supply": ""}


def test_exchanges_take_simulated_time_and_no_real_one() -> None:
    async def act(bench: SimulatedInstruments, clocks: VirtualClocks) -> float:
        for _ in range(200):
            await bench.measure("meter", "voltage")
        await bench.wait(3600.0)
        return clocks.loop()

    began = time.monotonic()
    # 200 times question and error queue, 30 ms each, and what 45 characters take at 9600 baud.
    assert 3600 + 200 * 0.06 < on_bench(act) < 3600 + 200 * 0.2
    assert time.monotonic() - began < 30


def test_an_instrument_that_is_not_there_is_not_possible() -> None:
    async def act(bench: SimulatedInstruments, _: VirtualClocks) -> None:
        await bench.identify("oscilloscope")

    with pytest.raises(NotPossible, match="no instrument 'oscilloscope'"):
        on_bench(act)
