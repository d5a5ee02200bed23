"""A display socket while a hand is at it: a tree that changes at each cue, in virtual time."""

from pathlib import Path

import anyio
import pytest

from verifier.errors import Absent, NotPossible, VerifierError
from verifier.gather.hosts import open_host
from verifier.gather.probes.display_plug import Plug
from verifier.gather.virtual_time import VirtualClocks, backend_options
from verifier.gather.workers import run_probe
from verifier.readings import Value
from verifier.services import Files
from verifier.steps import Cue

EDID = Path(__file__).parents[2] / "reference/edid/display-05.bin"


class Hand:
    """A host whose display socket changes as each test says: (seconds after the cue, connected), cue by cue."""

    services = frozenset({"files"})
    address = "local"

    def __init__(self, root: Path, *acts: list[tuple[float, bool]], at_first: bool = False) -> None:
        self.clocks = VirtualClocks(seed=1)
        self.at = root / "sys/class/drm/card0-DP-1"
        self.at.mkdir(parents=True)
        self.acts, self.due = list(acts), list[tuple[float, bool]]()
        self._put(connected=at_first)
        self._tree = open_host(f"recorded:{root}", self.clocks)
        self.said: list[str] = []

    def _put(self, *, connected: bool) -> None:
        (self.at / "status").write_text("connected\n" if connected else "disconnected\n")
        (self.at / "edid").write_bytes(EDID.read_bytes() if connected else b"")

    @property
    def files(self) -> Files:
        while self.due and self.due[0][0] <= self.clocks.boot():
            self._put(connected=self.due.pop(0)[1])
        return self._tree.files

    def readings(self, **settings: Value) -> dict[str, Value]:
        async def take() -> dict[str, Value]:
            found: dict[str, Value] = {}
            async for given in run_probe(Plug(), self, {"connector": "DP-1", **settings}):  # type: ignore[arg-type]
                if isinstance(given, Cue):
                    self.said.append(given.say)
                    if given.wait:  # he looks for the plug
                        continue
                    self.due = [(self.clocks.boot() + after, there) for after, there in self.acts.pop(0)]
                else:
                    found[given.name] = given.value
            return found

        return anyio.run(take, backend_options=backend_options(self.clocks))


def test_a_display_that_goes_in_is_read(tmp_path: Path) -> None:
    hand = Hand(tmp_path, [(5.0, True)])
    found = hand.readings(label="6")
    # edid-decode on the same file: 1920x1200 (tests/reference/edid).
    assert (found["connected"], found["edid_valid"], found["width"], found["height"]) == (True, True, 1920, 1200)
    ready = "Take the plug of the test display to hand, and go on."
    assert hand.said == [ready, "Put the plug of the test display into the socket marked 6, within 30 s."]


def test_a_display_that_is_in_already_has_to_come_out_first(tmp_path: Path) -> None:
    hand = Hand(tmp_path, [(2.0, False)], [(3.0, True)], at_first=True)
    assert hand.readings()["connected"] is True
    assert [words.split()[0] for words in hand.said] == ["Pull", "Put"]


def test_a_socket_that_notices_nothing_is_absent(tmp_path: Path) -> None:
    with pytest.raises(Absent, match="no display was noticed at card0-DP-1 within 8 s"):
        Hand(tmp_path, []).readings(patience=8.0)


def test_a_contact_that_never_holds_is_not_taken_for_a_display(tmp_path: Path) -> None:
    hand = Hand(tmp_path, [(0.4 * n, n % 2 == 1) for n in range(1, 300)])
    with pytest.raises(Absent, match="no display was noticed"):
        hand.readings(patience=10.0)
    assert hand.clocks.boot() < 12


def test_a_display_that_stays_in_is_no_fault_of_the_unit(tmp_path: Path) -> None:
    with pytest.raises(NotPossible, match="not pulled out within 5 s"):
        Hand(tmp_path, [], at_first=True).readings(patience=5.0)


def test_a_recording_stands_still(tmp_path: Path) -> None:
    hand = Hand(tmp_path)
    hand.address = "recorded:there"
    with pytest.raises(NotPossible, match="stands still"):
        hand.readings()


@pytest.mark.parametrize("settings", [{"connector": ""}, {"connector": "../x"}, {"patience": 0.0}])
def test_settings_that_make_no_sense(tmp_path: Path, settings: dict[str, Value]) -> None:
    with pytest.raises(VerifierError, match=r"connector|patience"):
        Hand(tmp_path).readings(**settings)
