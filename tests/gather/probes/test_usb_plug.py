"""A USB socket while a hand is at it: a tree that changes at each cue, in virtual time."""

import shutil
from pathlib import Path

import anyio
import pytest

from verifier.errors import Absent, NotPossible, VerifierError
from verifier.gather.hosts import open_host
from verifier.gather.probes.usb_plug import Plug
from verifier.gather.virtual_time import VirtualClocks, backend_options
from verifier.gather.workers import run_probe
from verifier.readings import Value
from verifier.services import Files
from verifier.steps import Cue

Act = tuple[float, str, str]
"""Seconds after the cue, path, and speed of the device that is there from then on; no speed: it is gone."""
SOCKET: dict[str, Value] = {"path": "2-3", "or_path": "1-3", "label": "3"}


class Hand:
    """A host whose USB tree changes as each test says, cue by cue."""

    services = frozenset({"files"})
    address = "local"

    def __init__(self, root: Path, *acts: list[Act], at_first: tuple[str, str] | None = None) -> None:
        self.clocks = VirtualClocks(seed=1)
        self.root, self.acts, self.due = root, list(acts), list[Act]()
        (root / "sys/bus/usb/devices").mkdir(parents=True)
        if at_first:
            self._put(*at_first)
        self._tree = open_host(f"recorded:{root}", self.clocks)
        self.said: list[str] = []

    def _put(self, path: str, speed: str) -> None:
        at = self.root / f"sys/bus/usb/devices/{path}"
        shutil.rmtree(at, ignore_errors=True)
        if speed:
            at.mkdir()
            (at / "idVendor").write_text("1d6b\n")
            (at / "speed").write_text(f"{speed}\n")

    @property
    def files(self) -> Files:
        while self.due and self.due[0][0] <= self.clocks.boot():
            self._put(*self.due.pop(0)[1:])
        return self._tree.files

    def shown(self, cue: Cue) -> None:
        self.said.append(cue.say)
        if cue.wait:  # he looks for the stick, which is not of the time for the plug
            return
        self.due = [(self.clocks.boot() + after, path, speed) for after, path, speed in self.acts.pop(0)]

    def readings(self, **settings: Value) -> dict[str, Value]:
        async def take() -> dict[str, Value]:
            found: dict[str, Value] = {}
            async for given in run_probe(Plug(), self, SOCKET | settings):  # type: ignore[arg-type]
                if isinstance(given, Cue):
                    self.shown(given)
                else:
                    found[given.name] = given.value
            return found

        return anyio.run(take, backend_options=backend_options(self.clocks))


def test_a_device_that_is_plugged_in_while_the_port_is_watched(tmp_path: Path) -> None:
    hand = Hand(tmp_path, [(4.0, "2-3", "10000")])
    assert hand.readings() == {"path": "2-3", "came_and_went": 0, "fell_back": False, "speed": 10000.0}
    ready = "Take the test device to hand, and go on."
    assert hand.said == [ready, "Put the plug of the test device into the socket marked 3, within 30 s."]


def test_a_device_that_is_in_already_has_to_come_out_first(tmp_path: Path) -> None:
    hand = Hand(tmp_path, [(2.0, "2-3", "")], [(3.0, "2-3", "5000")], at_first=("2-3", "10000"))
    assert hand.readings()["speed"] == 5000.0  # that of the second time
    assert hand.said[0] == "Pull the plug out of the socket marked 3, within 30 s."


def test_a_fast_port_that_fell_back_says_so(tmp_path: Path) -> None:
    found = Hand(tmp_path, [(4.0, "1-3", "480")]).readings()
    assert (found["path"], found["speed"], found["fell_back"]) == ("1-3", 480.0, True)


def test_a_type_c_socket_whose_second_row_of_contacts_is_open(tmp_path: Path) -> None:
    """One way up it is fast; turned over, only the USB 2 contacts, which are joined in the plug, are left."""
    hand = Hand(tmp_path, [(4.0, "2-3", "10000")], [(2.0, "2-3", "")], [(5.0, "1-3", "480")])
    found = hand.readings(both_ways=True)
    assert (found["speed"], found["fell_back"]) == (10000.0, False)
    assert (found["speed_turned"], found["fell_back_turned"]) == (480.0, True)
    assert hand.said[2].startswith("Pull the plug out") and hand.said[3].startswith("Turn the plug over")


def test_a_contact_that_comes_and_goes_is_counted(tmp_path: Path) -> None:
    acts = [
        (1.0, "2-3", "10000"),
        (1.5, "2-3", ""),
        (2.0, "2-3", "10000"),
        (2.5, "2-3", ""),
        (3.0, "2-3", "10000"),
    ]
    assert Hand(tmp_path, acts).readings()["came_and_went"] == 2


def test_a_contact_that_never_holds_is_given_up(tmp_path: Path) -> None:
    acts = [(0.5 * n, "2-3", "10000" if n % 2 else "") for n in range(1, 400)]
    hand = Hand(tmp_path, acts)
    with pytest.raises(Absent, match="came and went"):
        hand.readings(patience=10.0)
    assert hand.clocks.boot() < 30


def test_a_socket_that_stays_dead_is_absent(tmp_path: Path) -> None:
    hand = Hand(tmp_path, [])
    with pytest.raises(Absent, match="nothing stayed at USB path 2-3 or 1-3 within 20 s"):
        hand.readings(patience=20.0)


def test_a_plug_that_is_not_pulled_is_no_fault_of_the_unit(tmp_path: Path) -> None:
    with pytest.raises(NotPossible, match="not pulled out within 5 s"):
        Hand(tmp_path, [], at_first=("2-3", "10000")).readings(patience=5.0)


def test_a_recording_stands_still(tmp_path: Path) -> None:
    (tmp_path / "sys/bus/usb/devices").mkdir(parents=True)

    async def take() -> None:
        host = open_host(f"recorded:{tmp_path}", VirtualClocks(seed=1))
        async for _ in run_probe(Plug(), host, SOCKET):
            pass

    with pytest.raises(NotPossible, match="stands still"):
        anyio.run(take)


@pytest.mark.parametrize("settings", [{"path": "../x"}, {"patience": 0.0}, {"label": "\x1b[2J"}])
def test_settings_that_make_no_sense(tmp_path: Path, settings: dict[str, Value]) -> None:
    with pytest.raises(VerifierError, match=r"USB path|patience|label"):
        Hand(tmp_path, []).readings(**settings)
