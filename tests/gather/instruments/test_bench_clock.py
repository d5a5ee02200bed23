"""A clock of the bench among the instruments, and a probe that consults one beside the unit it reads."""

import time
from pathlib import Path

import anyio
import pytest
from instrument_bench import TestInstruments
from taking import take, u_of

from verifier.errors import NotPossible
from verifier.gather.catalogue import load_catalogue
from verifier.gather.clocks import RealClocks
from verifier.gather.consulting import consulted
from verifier.gather.instruments.bench import StationInstruments
from verifier.gather.instruments.taker import InstrumentTaker
from verifier.readings import Reading
from verifier.steps import Consult


def test_its_time_is_good_to_what_its_file_says(instruments: TestInstruments, tmp_path: Path) -> None:
    """± 2 ms and a step of 0.1 ms: u = a/√3 (JCGM 100, 4.3.7)."""
    before = time.time()
    found = take(instruments.describe(tmp_path / "i", "clock"), "instrument.time", instrument="clock", samples=1)
    assert before - 0.01 < float(found["value"].value) < time.time() + 0.01
    assert u_of(found["value"]) == pytest.approx(0.002 / 3**0.5, rel=0.01)


def test_a_probe_consults_it(instruments: TestInstruments, tmp_path: Path) -> None:
    folder = instruments.describe(tmp_path / "i", "clock")

    async def ask(name: str, at: str) -> Reading:
        clocks, catalogue = RealClocks(), load_catalogue()

        async def clear(_: str) -> None:
            raise AssertionError("nothing is switched on")

        async with StationInstruments(folder, clocks) as bench:
            taker = InstrumentTaker(bench, catalogue, clocks, clear)
            return await consulted(taker, catalogue, Consult(probe="instrument.time", instrument=name), at, 20.0)

    assert anyio.run(ask, "clock", "local").value == pytest.approx(time.time(), abs=5)
    for name, at in (("watch", "local"), ("clock", "recorded:x")):
        with pytest.raises(BaseException) as caught:  # in a group where the bench's own tasks end with it
            anyio.run(ask, name, at)
        group = caught.value
        error = group.exceptions[0] if isinstance(group, BaseExceptionGroup) else group
        assert isinstance(error, NotPossible)


def test_only_readings_are_consulted_nothing_that_switches() -> None:
    """A probe cannot have a supply switched on by asking for it as if it were a meter."""

    async def ask(taker: object) -> Reading:
        consult = Consult(probe="instrument.supply", instrument="supply")
        return await consulted(taker, load_catalogue(), consult, "local", 1.0)  # type: ignore[arg-type]

    for taker in (None, object()):
        with pytest.raises(NotPossible, match="no instrument supply"):
            anyio.run(ask, taker)
