"""A clock of the bench among the instruments, and a probe that consults one beside the unit it reads."""

import math
import time
from pathlib import Path

import anyio
import pytest
from instrument_bench import TestInstruments
from taking import take

from verifier.errors import NotPossible
from verifier.gather.catalogue import load_catalogue
from verifier.gather.clocks import RealClocks
from verifier.gather.consulting import consulted
from verifier.gather.instruments.bench import StationInstruments
from verifier.gather.instruments.taker import InstrumentTaker
from verifier.steps import Consult


def test_its_time_is_good_to_what_its_file_says(instruments: TestInstruments, tmp_path: Path) -> None:
    """± 2 ms and a step of 0.1 ms: u = a/√3 (JCGM 100, 4.3.7); and half the time that the answer took."""
    before = time.time()
    found = take(instruments.describe(tmp_path / "i", "clock"), "instrument.time", instrument="clock", samples=1)
    assert before - 0.01 < float(found["value"].value) < time.time() + 0.01
    *its_own, exchange = found["value"].contributions
    assert math.hypot(*(c.u for c in its_own)) == pytest.approx(0.002 / 3**0.5, rel=0.01)
    assert 0 < exchange.u < 1


def test_a_probe_consults_it(instruments: TestInstruments, tmp_path: Path) -> None:
    folder = instruments.describe(tmp_path / "i", "clock")

    async def ask(name: str, at: str) -> Consult:
        clocks, catalogue = RealClocks(), load_catalogue()

        async def clear(_: str) -> None:
            raise AssertionError("nothing is switched on")

        async with StationInstruments(folder, clocks) as bench:
            taker = InstrumentTaker(bench, catalogue, clocks, clear)
            consult = Consult(probe="instrument.time", instrument=name)
            await consulted(taker, catalogue, consult, at, 20.0, clocks)
            return consult

    found = anyio.run(ask, "clock", "local")
    assert found.given is not None and found.boot is not None
    # It is right, and good to one exchange: not to all that is asked of an instrument beside.
    bounds = sum(c.u for c in found.given.contributions) * 3**0.5
    assert abs(float(found.given.value) + RealClocks().boot() - found.boot - time.time()) <= bounds + 1e-4
    assert [c.note for c in found.given.contributions][-1] == "half the time the answer took"
    for name, at in (("watch", "local"), ("clock", "recorded:x")):
        with pytest.raises(BaseException) as caught:  # in a group where the bench's own tasks end with it
            anyio.run(ask, name, at)
        group = caught.value
        error = group.exceptions[0] if isinstance(group, BaseExceptionGroup) else group
        assert isinstance(error, NotPossible)


def test_only_readings_are_consulted_nothing_that_switches() -> None:
    """A probe cannot have a supply switched on by asking for it as if it were a meter."""

    async def ask(taker: object) -> None:
        consult = Consult(probe="instrument.supply", instrument="supply")
        await consulted(taker, load_catalogue(), consult, "local", 1.0, RealClocks())  # type: ignore[arg-type]

    for taker in (None, object()):
        with pytest.raises(NotPossible, match="no instrument supply"):
            anyio.run(ask, taker)
