"""The simulated unit as probes see it, and what runs them on it."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import anyio
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from verifier.errors import Absent, BenchFault, InputError, InputProblems, NotPossible
from verifier.gather.catalogue import ProbeCatalogue, load_catalogue
from verifier.gather.hosts import facts, open_host
from verifier.gather.simulated import Description, SimulatedHost, SimulatedTaker, load_description, simulation_at
from verifier.gather.simulated.description import shipped_unit
from verifier.gather.virtual_time import VirtualClocks, backend_options
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host

QUAYSIDE = shipped_unit("marrowby-quayside") or Path()


def take(
    probe: str,
    settings: dict[str, Any] | None = None,
    *,
    unit: Description | None = None,
    seed: int = 1,
    catalogue: ProbeCatalogue | None = None,
    deadline: float = 1e6,
    after: float = 0.0,
    clocks: VirtualClocks | None = None,
) -> dict[str, Any]:
    clocks, probes = clocks or VirtualClocks(seed), catalogue or load_catalogue()
    declaration = probes.declaration(probe)
    assert declaration is not None

    async def main() -> dict[str, Any]:
        host = SimulatedHost(unit or load_description(QUAYSIDE), seed, clocks)
        await clocks.sleep(after)
        taker = SimulatedTaker(host, probes)
        readings = taker.take(probe, settings or {}, "simulated", declaration=declaration, deadline=deadline)
        return {reading.name: reading.value async for reading in readings}

    return anyio.run(main, backend_options=backend_options(clocks))


def test_the_shipped_unit_says_who_it_is() -> None:
    said = take("identity")
    assert (said["serial"], said["maker"], said["product"]) == ("QS-2004174", "Marrowby", "Quayside")
    assert said["firmware"] == "3.4.1"

    async def main() -> dict[str, str]:
        return await facts(open_host("simulated", VirtualClocks(1)))

    assert anyio.run(main) == {"system": "Quayside OS 12", "kernel": "6.1.0-quayside", "machine": "x86_64"}


def test_its_sensor_gives_whole_kelvins_near_the_settled_temperature() -> None:
    said = take("thermal.sensors", {"sensor": "processor"})
    assert said["sensors"] == 1
    # 23 °C and 5.9 W through 3.95 K/W, give or take the unit and the noise.
    assert said["temperature"] == pytest.approx(46.3, abs=6)
    assert said["temperature"] == round(said["temperature"])


def test_its_port_has_a_link_that_can_be_watched_for_ten_hours() -> None:
    clocks = VirtualClocks(1)
    said = take("ethernet.link", {"interface": "eth0", "seconds": 36_000.0}, clocks=clocks)
    assert said["carrier"] is True and said["speed"] == 1000 and said["duplex"] == "full"
    assert said["carrier_changes_seen"] == 0 and said["errors_seen"] == 0
    assert clocks.loop() >= 36_000


def with_port(**changes: object) -> Description:
    unit = load_description(QUAYSIDE)
    return unit.model_copy(update={"ethernet": (unit.ethernet[0].model_copy(update=changes),)})


def test_a_port_without_link_or_switched_off_reads_as_the_kernel_shows_it() -> None:
    cold = take("ethernet.link", unit=with_port(link=False))
    assert cold["carrier"] is False and cold["enabled"] is True
    assert "speed" not in cold and "duplex" not in cold
    off = take("ethernet.link", unit=with_port(enabled=False))
    assert off["enabled"] is False and "carrier" not in off


def test_errors_on_the_line_are_counted_as_time_goes_by() -> None:
    said = take("ethernet.link", {"seconds": 7200.0}, unit=with_port(errors_per_hour=3.0), after=3600.0)
    assert said["rx_errors"] == 3
    assert said["errors_seen"] == 6


@settings(max_examples=25)
@given(st.integers(0, 2**53 - 1))
def test_the_same_seed_gives_the_same_readings(seed: int) -> None:
    assert take("thermal.sensors", seed=seed, after=12.5) == take("thermal.sensors", seed=seed, after=12.5)


def test_other_seeds_give_other_readings() -> None:
    assert len({take("thermal.sensors", seed=seed)["temperature"] for seed in range(12)}) > 1


@dataclass(frozen=True)
class NoSettings:
    pass


class Trial:
    """A probe that does what it is told."""

    def __init__(self, act: Callable[[Host], AsyncIterator[Any]], services: tuple[str, ...] = ("files",)) -> None:
        self._act = act
        self.declaration = ProbeDeclaration(
            name="trial", title="", what="", settings=NoSettings, services=services,
            readings=(ReadingDeclaration(name="value", kind="number", unit="1", what=""),),
        )  # fmt: skip

    def take(self, host: Host, settings: NoSettings) -> AsyncIterator[Any]:
        return self._act(host)


def trial(act: Callable[[Host], AsyncIterator[Any]], deadline: float = 40.0, **options: Any) -> dict[str, Any]:
    services = options.pop("services", ("files",))
    return take("trial", catalogue=ProbeCatalogue({"trial": Trial(act, services)}), deadline=deadline, **options)


def test_a_deadline_is_kept_in_the_units_own_time() -> None:
    clocks = VirtualClocks(1)

    async def hangs(host: Host) -> AsyncIterator[Reading]:
        await host.clocks.sleep(36_000)
        yield Reading(name="value", value=1, unit="1")

    with pytest.raises(BenchFault, match="the probe trial was not done after 40 s, and was ended"):
        trial(hangs, clocks=clocks)
    assert clocks.loop() == 40.0
    assert trial(hangs, deadline=36_001.0) == {"value": 1}


def test_a_probe_that_is_ended_can_tidy_up() -> None:
    tidied: list[str] = []

    async def hangs(host: Host) -> AsyncIterator[Reading]:
        try:
            await host.clocks.sleep(36_000)
            yield Reading(name="value", value=1, unit="1")
        finally:
            tidied.append("tidy")

    with pytest.raises(BenchFault):
        trial(hangs)
    assert tidied == ["tidy"]


async def _undeclared(host: Host) -> AsyncIterator[Reading]:
    yield Reading(name="other", value=1, unit="1")


async def _wrong_unit(host: Host) -> AsyncIterator[Reading]:
    yield Reading(name="value", value=1, unit="V")


async def _nothing(host: Host) -> AsyncIterator[Reading]:
    for reading in ():
        yield reading


async def _breaks_down(host: Host) -> AsyncIterator[Reading]:
    yield Reading(name="value", value=1 / 0, unit="1")


async def _no_reading(host: Host) -> AsyncIterator[Any]:
    yield 7


@pytest.mark.parametrize(
    ("act", "words"),
    [
        (_undeclared, "does not declare"),
        (_wrong_unit, "declared in '1'"),
        (_nothing, "did not give value"),
        (_breaks_down, "broke down: ZeroDivisionError"),
        (_no_reading, "no reading"),
    ],
)
def test_what_a_probe_gives_is_held_against_its_declaration_as_in_a_worker(
    act: Callable[[Host], AsyncIterator[Any]], words: str
) -> None:
    with pytest.raises(BenchFault, match=words):
        trial(act)


def test_a_probe_that_needs_what_the_unit_lacks_is_not_possible() -> None:
    with pytest.raises(NotPossible, match="trial cannot be read over simulated: it needs input"):
        trial(_undeclared, services=("files", "input"))


def test_its_files_are_read_as_files_are() -> None:
    async def main() -> None:
        files = SimulatedHost(load_description(QUAYSIDE), 1, VirtualClocks(1)).files
        assert await files.names("/sys/class") == [
            "block", "bluetooth", "dmi", "drm", "input", "net", "powercap", "rtc", "thermal", "tty", "vtconsole",
        ]  # fmt: skip
        assert await files.real_path("/sys/class/net/../net/eth0/") == "/sys/class/net/eth0"
        assert await files.exists("/sys/class/net/eth0/type") and not await files.exists("/etc/passwd")
        for path, error in (
            ("/sys/class/net/eth7/type", FileNotFoundError),
            ("/sys/class/net/eth0", IsADirectoryError),
            ("sys", OSError),
        ):
            with pytest.raises(error):
                await files.read(path)
        with pytest.raises(NotADirectoryError):
            await files.names("/sys/class/net/eth0/type")
        with pytest.raises(OSError, match="longer than 2 bytes"):
            await files.read("/sys/class/net/eth0/address", 2)
        with pytest.raises(Absent, match="no command uname -m"):
            await SimulatedHost(load_description(QUAYSIDE), 1, VirtualClocks(1)).commands.run("uname", "-m")

    anyio.run(main)


# ---- descriptions -----------------------------------------------------------------------------


def described(tmp_path: Path, text: str) -> Description:
    path = tmp_path / "unit.toml"
    path.write_text(text, "utf-8")
    return load_description(path)


HEAD = 'schema = 1\nmodel = "marrowby-orlop"\ntitle = "Logger"\n'


def test_a_small_description_is_enough(tmp_path: Path) -> None:
    unit = described(tmp_path, HEAD)
    with pytest.raises(Absent):
        take("thermal.sensors", unit=unit)
    with pytest.raises(Absent):
        take("identity", unit=unit)


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        (HEAD + "[thermal]\npower = 2.5\nnoize = 1\n", 6, "noise"),
        (HEAD + "[thermal]\nblock_capacity = 0\n", 5, "block_capacity"),
        (HEAD + '[[ethernet]]\ninterface = "eth 0"\n', 5, "interface"),
        (
            HEAD + '[[ethernet]]\ninterface = "eth0"\n[[ethernet]]\ninterface = "eth0"\n',
            7,
            "already one called eth0",
        ),
        (HEAD + '[[lines]]\nname = "a"\n[[lines]]\nname = "a"\n', 7, "already one called a"),
        (HEAD + "[thermal]\nambient = nan\n", 5, "ambient"),
        ("schema = 1\n", 0, "model"),
        (HEAD + "[thermal\n", 4, "not valid TOML"),
    ],
)
def test_what_is_wrong_in_a_description_is_told_with_its_place(
    tmp_path: Path, text: str, line: int, words: str
) -> None:
    with pytest.raises(InputProblems) as error:
        described(tmp_path, text)
    assert words in str(error.value)
    if line:
        assert f"unit.toml:{line}:" in str(error.value)


@pytest.mark.parametrize("address", ["simulated:", "simulated:no-such-file.toml"])
def test_an_address_without_a_file_behind_it_is_refused(address: str) -> None:
    with pytest.raises(InputError):
        simulation_at(address, 1)


_numbers = st.floats(allow_nan=False) | st.integers(-5, 10**6) | st.just("text") | st.booleans()


@settings(max_examples=60)
@given(
    st.dictionaries(
        st.sampled_from(
            ["ambient", "power", "on_for", "block_capacity", "shell_resistance", "spread", "noise", "step"]
        ),
        _numbers,
    ),
    st.integers(0, 2**53 - 1),
)
def test_any_thermal_table_is_refused_in_words_or_gives_a_temperature(
    tmp_path_factory: pytest.TempPathFactory, table: dict[str, Any], seed: int
) -> None:
    written = {True: "true", False: "false"}
    lines = [
        f"{key} = {written[value] if isinstance(value, bool) else repr(value)}".replace("'", '"')
        for key, value in table.items()
    ]
    try:
        unit = described(tmp_path_factory.mktemp("unit"), HEAD + "[thermal]\n" + "\n".join(lines) + "\n")
    except InputProblems:
        return
    clocks = VirtualClocks(seed)

    async def main() -> bytes:
        return await SimulatedHost(unit, seed, clocks).files.read("/sys/class/thermal/thermal_zone0/temp")

    text = anyio.run(main, backend_options=backend_options(clocks))
    assert text.strip().lstrip(b"-").isdigit()
