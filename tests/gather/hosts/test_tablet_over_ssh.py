"""The probes of a tablet through a worker, over a real OpenSSH server with nothing but a shell and a few tools."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable
from pathlib import Path

import anyio
import pytest

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "probes"))
from panel import as_bytes, wipe
from ssh_unit import SshUnit

from verifier.gather.catalogue import load_catalogue
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts.host_keys import ensure_pinned
from verifier.gather.hosts.ssh import SshHost
from verifier.gather.workers import WorkerPool
from verifier.readings import Reading
from verifier.steps import Cue

GANGWAY = Path(__file__).parents[2] / "reference/hardware/gangway"
Take = Callable[..., dict[str, Reading]]


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    shutil.copytree(GANGWAY, tmp_path / "tree", symlinks=True)
    return tmp_path / "tree"


@pytest.fixture
def take(tmp_path: Path, tree: Path) -> Take:
    """Take a probe; `act` is told each cue."""

    def run(unit: SshUnit, probe: str, act: Callable[[str], None], **settings: object) -> dict[str, Reading]:
        keys = tmp_path / "keys"
        unit.let_in(keys)
        ensure_pinned(keys, unit.address, given=unit.fingerprint)

        async def collect() -> dict[str, Reading]:
            found: dict[str, Reading] = {}
            host = SshHost(unit.address, keys, RealClocks())
            declaration = load_catalogue().declaration(probe)
            assert declaration is not None
            await host.start()
            try:
                async with WorkerPool(host) as pool:
                    taken = pool.take(probe, settings, host.address, declaration=declaration, deadline=60.0)
                    async for one in taken:
                        if isinstance(one, Cue):
                            act(one.say)
                        else:
                            assert isinstance(one, Reading)
                            found[one.name] = one
            finally:
                await host.aclose()
            return found

        return anyio.run(collect)

    return run


def test_a_touch_panel_is_wiped(tmp_path: Path, tree: Path, take: Take) -> None:
    dead, wiping = (5, 3), tmp_path / "wiping"
    (tmp_path / "events").write_bytes(as_bytes(wipe(4096, 2560, 24, 16, [dead])))
    with SshUnit(tmp_path, sys=tree / "sys") as unit:
        unit.tool(
            "cat",
            f'if [ "$1" = /dev/input/event5 ]; then [ -e {wiping} ] && cat {tmp_path}/events; exec sleep 60; fi; '
            'exec cat "$@"',
        )
        found = take(
            unit, "touch.cells", lambda said: wiping.touch() if "wipe one" in said else None,
            width=4096, height=2560, seconds=2.0, quiet=1.0, wipes=1,
        )  # fmt: skip
    assert (found["dead"].value, found["ghosts"].value) == (1, 0)
    assert found["dead_where"].value == "column 6 row 4"
    assert found["dead"].grid is not None and found["dead"].grid.rows[3][5] == "x"


def test_a_charge_that_is_too_hot_is_ended_on_the_unit_itself(tmp_path: Path, tree: Path, take: Take) -> None:
    """A kernel would answer `auto [inhibit-charge]`; here the file shows what the shell of the unit wrote."""
    battery = tree / "sys/class/power_supply/BAT0"
    (battery / "temp").write_text("461\n")
    said: list[str] = []
    settings = {"highest_voltage": 4.4, "highest_current": 2.2, "taper": 0.2, "interval": 0.5}
    with SshUnit(tmp_path, sys=tree / "sys") as unit:
        found = take(unit, "power.charge", said.append, **settings)
    assert (battery / "charge_behaviour").read_text() == "inhibit-charge\n"
    assert (found["stopped_by"].value, found["hottest"].value, found["ended"].value) == ("temperature", 46.1, True)
    assert said[-1].startswith("STOP: the cell is too hot.")
