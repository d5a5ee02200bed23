"""What a load really does, from files of the host; and which of it spoils a heating."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import anyio
import pytest

from verifier.gather.clocks import RealClocks
from verifier.gather.hosts import open_host
from verifier.gather.probes.heat_source import HeatSource, Seen, energy_used, share_busy

CPU, RAPL = "sys/devices/system/cpu", "sys/class/powercap"


def test_busy_is_what_is_neither_idle_nor_waiting() -> None:
    """proc.rst, 1.7: user nice system idle iowait irq softirq steal guest guest_nice; guest is in user already."""
    before = [100, 0, 50, 800, 50, 0, 0, 0, 0, 0]
    after = [190, 0, 60, 805, 45 + 10, 0, 0, 0, 40, 0]
    assert share_busy(before, after) == pytest.approx(100 / 110)


@pytest.mark.parametrize("after", [[100, 0, 50, 800, 50], [90, 0, 50, 900, 50], [1, 2], []])
def test_ticks_that_tell_nothing_are_not_made_into_a_share(after: list[int]) -> None:
    assert share_busy([100, 0, 50, 800, 50], after) is None


def test_an_energy_counter_begins_again_at_its_range() -> None:
    """powercap.rst: energy_uj counts up to max_energy_range_uj, then from 0."""
    assert energy_used(262_143_000_000, 5_000_000, 262_143_328_850) == 5_328_850
    assert energy_used(1_000, 6_000, 262_143_328_850) == 5_000


def test_it_reads_packages_clocks_and_fans_and_nothing_twice(grow: Callable[..., Path]) -> None:
    tree = grow(
        {
            "proc/stat": "cpu  100 0 0 900 0 0 0 0 0 0\ncpu0 1 2 3 4\n",
            f"{CPU}/cpufreq/policy0/scaling_cur_freq": "1800000\n",
            f"{CPU}/cpufreq/policy1/scaling_cur_freq": "2200000\n",
            f"{CPU}/cpu0/thermal_throttle/package_throttle_count": "3\n",
            f"{RAPL}/intel-rapl:0/name": "package-0\n",
            f"{RAPL}/intel-rapl:0/max_energy_range_uj": "262143328850\n",
            f"{RAPL}/intel-rapl:0/energy_uj": "1000000\n",
            f"{RAPL}/intel-rapl:0:0/name": "core\n",
            f"{RAPL}/intel-rapl:0:0/max_energy_range_uj": "262143328850\n",
            f"{RAPL}/intel-rapl:0:0/energy_uj": "900000\n",
            "sys/class/hwmon/hwmon1/fan1_input": "2400\n",
            "sys/class/hwmon/hwmon1/temp1_input": "45000\n",
        }
    )

    async def two_looks() -> Seen:
        source = HeatSource(open_host(f"recorded:{tree}", RealClocks()).files)
        await source.find()
        await source.begin(0.0)
        (tree / "proc/stat").write_text("cpu  195 0 0 905 0 0 0 0 0 0\n")
        (tree / f"{RAPL}/intel-rapl:0/energy_uj").write_text("21000000\n")
        return await source.look(2.0)

    seen = anyio.run(two_looks)
    assert seen == Seen(at=2.0, busy=0.95, clock=2000.0, watts=10.0, fans=(2400,), throttled=3)


def test_a_counter_that_only_root_may_read_is_not_read(grow: Callable[..., Path]) -> None:
    """Linux 5.10 and later: energy_uj is readable by root alone (CVE-2020-8694)."""
    tree = grow(
        {
            f"{RAPL}/intel-rapl:0/name": "package-0\n",
            f"{RAPL}/intel-rapl:0/max_energy_range_uj": "262143328850\n",
            "errors.json": '{"/sys/class/powercap/intel-rapl:0/energy_uj": "EACCES"}',
        }
    )

    async def look() -> tuple[Seen, bool]:
        source = HeatSource(open_host(f"recorded:{tree}", RealClocks()).files)
        await source.find()
        await source.begin(0.0)
        return await source.look(1.0), source.power_withheld

    assert anyio.run(look) == (Seen(at=1.0), True)


def steady(number: int, **more: object) -> Seen:
    return Seen(**{"at": 12.0 + 5 * number, "busy": 1.0, "clock": 2000.0, "watts": 10.0, "fans": (2400,), **more})  # type: ignore[arg-type]


SPOILT: dict[str, tuple[list[Seen], str]] = {
    "another program ended": ([steady(n, busy=0.99 if n < 9 else 0.62) for n in range(12)], "did not hold"),
    "slowed down": ([steady(n, throttled=4 if n < 7 else 9) for n in range(12)], "slowed itself down"),
    "less power": ([steady(n, watts=10.0 if n < 7 else 8.2) for n in range(12)], "power of the load went"),
    "slower, power unknown": (
        [steady(n, watts=None, clock=2000.0 if n < 7 else 1500.0) for n in range(12)],
        "clock went from 2000 MHz to 1500 MHz",
    ),
    "fan": ([steady(n, fans=(2400,) if n < 7 else (3600,)) for n in range(12)], "a fan went from 2400 to 3600"),
}


@pytest.mark.parametrize("name", SPOILT)
def test_what_spoils_a_heating_is_said(name: str) -> None:
    source = HeatSource(None)  # type: ignore[arg-type]
    source.looks, said = SPOILT[name]
    assert said in source.doubt()


@pytest.mark.parametrize(
    "looks",
    [
        [steady(n) for n in range(30)],
        [Seen(at=5.0 * n) for n in range(30)],
        # Turbo of the first seconds, and one sample that was late.
        [
            Seen(at=2.0, busy=0.4, watts=20.0, clock=3000.0),
            *(steady(n, watts=15.0 if n == 8 else 10.0) for n in range(20)),
        ],
        # The clock moves and the power does not: the heat is the same.
        [steady(n, clock=2000.0 + 300 * (n % 2)) for n in range(20)],
        [steady(n, fans=(2400 + 50 * (n % 3), 0)) for n in range(20)],
    ],
)
def test_what_does_not_spoil_it_is_let_pass(looks: list[Seen]) -> None:
    source = HeatSource(None)  # type: ignore[arg-type]
    source.looks = looks
    assert source.doubt() == ""
