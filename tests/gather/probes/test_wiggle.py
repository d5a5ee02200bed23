"""A plug moved while its link is watched: on a tree that changes as time passes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import anyio
import pytest

from verifier.errors import Absent, NotPossible
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts import open_host
from verifier.gather.probes.wiggle import Settings, Wiggle
from verifier.gather.workers import run_probe
from verifier.readings import Reading
from verifier.steps import Cue

Grow = Callable[[dict[str, str | bytes]], Path]
AT = "sys/class/net/eth0"


@pytest.fixture
def watch(grow: Grow) -> Callable[..., tuple[dict[str, Any], list[Cue]]]:
    """Watch eth0 for 10 s of its own time; `then` says what its files hold from which second on."""

    def run(then: dict[float, dict[str, str]], **first: str) -> tuple[dict[str, Any], list[Cue]]:
        files = {"type": "1", "carrier": "1", "carrier_changes": "1", "speed": "1000", **first}
        folder = grow({f"{AT}/{name}": text + "\n" for name, text in files.items()})

        class Clocks(RealClocks):
            now = 100.0

            def boot(self) -> float:
                return self.now

            async def sleep(self, seconds: float) -> None:
                self.now += seconds
                for due in [at for at in then if 100 + at <= self.now + 1e-6]:
                    grow({f"{AT}/{name}": text + "\n" for name, text in then.pop(due).items()})

        tree = open_host(f"recorded:{folder}", RealClocks())
        host: Any = SimpleNamespace(address="local", services=tree.services, files=tree.files, clocks=Clocks())

        async def collect() -> tuple[dict[str, Any], list[Cue]]:
            given = [one async for one in run_probe(Wiggle(), host, {"interface": "eth0", "seconds": 10.0})]
            readings = [one for one in given if isinstance(one, Reading)]
            found = {r.name: r.value for r in readings}
            found |= {f"{r.name}_remark": r.conditions.remark for r in readings if r.conditions.remark}
            return found, [one for one in given if isinstance(one, Cue)]

        return anyio.run(collect)

    return run


def test_a_plug_that_holds(watch: Callable[..., Any]) -> None:
    found, cues = watch({}, **{"statistics/rx_errors": "7", "statistics/tx_errors": "0"})
    assert found == {"drops": 0, "drop_times": "none", "linked_at_end": True, "slowest": 1000, "errors_seen": 0}
    assert [cue.wait for cue in cues] == [True, False, False]


def test_each_drop_is_named_with_its_time(watch: Callable[..., Any]) -> None:
    down, up = {"carrier": "0"}, {"carrier": "1"}
    found, _ = watch({2.0: down, 2.5: up, 7.0: down, 9.0: {**up, "carrier_changes": "5"}})
    assert found["drops"] == 2 and found["linked_at_end"] is True
    assert found["first_drop_at"] == pytest.approx(2.0, abs=0.06)
    assert found["longest_drop"] == pytest.approx(2.0, abs=0.11)
    assert found["drop_times"] == "at 2.00 s for 0.50 s; at 7.00 s for 2.00 s"
    assert found["drops_remark"] == f"the link was lost {found['drop_times']}"


def test_a_link_that_does_not_come_back(watch: Callable[..., Any]) -> None:
    found, _ = watch({4.0: {"carrier": "0", "carrier_changes": "2"}})
    assert (found["drops"], found["linked_at_end"]) == (1, False)
    assert found["drop_times"].endswith("for 6.00 s, not back by the end")


def test_drops_too_short_to_be_seen_show_in_the_kernels_count(watch: Callable[..., Any]) -> None:
    found, _ = watch({3.0: {"carrier_changes": "5"}})
    assert found["drops"] == 2 and found["drop_times"] == "2 shorter than 0.05 s"
    assert "first_drop_at" not in found


def test_a_fall_back_to_a_slower_speed_and_damaged_frames(watch: Callable[..., Any]) -> None:
    found, _ = watch(
        {1.0: {"speed": "100", "statistics/rx_errors": "12"}, 2.0: {"speed": "1000"}},
        **{"statistics/rx_errors": "2"},
    )
    assert (found["slowest"], found["errors_seen"], found["drops"]) == (100, 10, 0)


def test_without_a_link_nothing_can_be_seen(watch: Callable[..., Any]) -> None:
    with pytest.raises(NotPossible, match="no link to begin with"):
        watch({}, carrier="0")


def test_no_port_and_no_recording(read: Callable[..., Any], hardware: Path, grow: Grow) -> None:
    with pytest.raises(NotPossible, match="over recorded"):
        read("ethernet.wiggle", hardware / "composite", interface="eth0")
    tree = open_host(f"recorded:{grow({})}", RealClocks())
    host: Any = SimpleNamespace(address="local", services=tree.services, files=tree.files, clocks=RealClocks())

    async def once() -> None:
        async for _ in run_probe(Wiggle(), host, {"interface": "eth0"}):
            pass

    with pytest.raises(Absent, match="eth0"):
        anyio.run(once)


@pytest.mark.parametrize(
    "wrong", [{"interface": "../x"}, {"interface": ""}, {"interface": "eth0", "seconds": 0.1}]
)
def test_settings_that_cannot_be_meant(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match="interface"):
        Settings(**wrong)
