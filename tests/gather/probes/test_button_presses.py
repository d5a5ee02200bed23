"""The power button probe: in virtual time with a finger of our own, and on a replayed event device."""

import json
import random
import subprocess
import sys
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from pathlib import Path

import anyio
import pytest

from verifier.errors import Absent, NotPossible
from verifier.gather.hosts import open_host
from verifier.gather.probes.button_presses import Presses
from verifier.gather.virtual_time import VirtualClocks, backend_options
from verifier.gather.workers import run_probe
from verifier.readings import Value
from verifier.services import KeyEvent, KeyWatch
from verifier.steps import Cue

BUTTON: dict[str, str | bytes] = {
    "sys/class/input/input3/name": "Power Button",
    "sys/class/input/input3/id/bustype": "0019",
    "sys/class/input/input3/capabilities/key": "10000000000000 0",
    "sys/class/input/input3/event3/dev": "13:67",
    "proc/sys/kernel/arch": "x86_64",
}
Grow = Callable[[dict[str, str | bytes]], Path]


class Finger:
    """A host with a button that is pressed as each test says; `plan` gives the events of one cue, by number.

    An event is (seconds after the cue, value).
    """

    def __init__(
        self,
        tree: Path,
        plan: Callable[[int], Sequence[tuple[float, int]]],
        *,
        held_back: str = "grabbed",
        down: bool = False,
    ) -> None:
        self.clocks = VirtualClocks(seed=1)
        self._files = open_host(f"recorded:{tree}", self.clocks).files
        self.plan, self.held_back, self.down = plan, held_back, down
        self.coming: list[KeyEvent] = []
        self.said: list[str] = []
        self.cued: list[float] = []

    address = "local"
    services = frozenset({"files", "buttons"})

    @property
    def files(self) -> object:
        return self._files

    @property
    def buttons(self) -> "Finger":
        return self

    @asynccontextmanager
    async def watch(self, devices: Sequence[str], codes: frozenset[int]) -> AsyncIterator[KeyWatch]:
        assert list(devices) == ["event3"] and 116 in codes
        yield self

    async def next(self, timeout: float) -> KeyEvent | None:
        due = self.coming[0].seen - self.clocks.loop() if self.coming else float("inf")
        await anyio.sleep(min(max(due, 0.0), timeout))
        return self.coming.pop(0) if due <= timeout else None

    def shown(self, cue: Cue) -> None:
        self.said.append(cue.say)
        if cue.say.startswith("Press now"):
            self.cued.append(self.clocks.loop())
            for after, value in self.plan(len(self.cued)):
                at = self.clocks.loop() + after
                self.coming.append(KeyEvent(device="event3", code=116, value=value, at=at, seen=at))
            self.coming.sort(key=lambda e: e.seen)

    def readings(self, seed: int = 1, **settings: Value) -> dict[str, Value]:
        async def take() -> dict[str, Value]:
            found: dict[str, Value] = {}
            async for given in run_probe(Presses(random.Random(seed)), self, settings):  # type: ignore[arg-type]
                if isinstance(given, Cue):
                    self.shown(given)
                else:
                    found[given.name] = given.value
            return found

        return anyio.run(take, backend_options=backend_options(self.clocks))


def good(_: int) -> list[tuple[float, int]]:
    return [(0.4, 1), (0.55, 0)]


def test_ten_good_presses(grow: Grow) -> None:
    finger = Finger(grow(BUTTON), good)
    found = finger.readings()
    counts = {n: found[n] for n in ("asked", "registered", "missed", "late", "doubled", "unasked", "bounced")}
    assert counts == dict.fromkeys(counts, 0) | {"asked": 10, "registered": 10}
    assert found["stuck"] is False and found["hold_visible"] is True
    assert found["hold_shortest"] == pytest.approx(0.15) and found["hold_longest"] == pytest.approx(0.15)
    assert found["demonstrated"] == 74.1  # 0.05^(1/10)
    assert finger.said[0].startswith("You will be asked 10 times") and len(finger.said) == 11


def test_the_moments_differ_and_lie_within_their_bounds(grow: Grow) -> None:
    def moments(seed: int) -> list[float]:
        finger = Finger(grow(BUTTON), good)
        finger.readings(seed, longest_gap=3.0)
        return [round(b - a - 0.4, 6) for a, b in zip(finger.cued, finger.cued[1:], strict=False)]

    first = moments(1)
    assert len(set(first)) == 9 and all(1.0 <= gap <= 3.2 for gap in first) and first != moments(2)


@pytest.mark.parametrize(
    ("fault", "at_three", "expected"),
    [
        ("not heard", [], {"missed": 1, "registered": 9}),
        ("late", [(4.6, 1), (4.7, 0)], {"late": 1, "missed": 0, "registered": 10}),
        ("twice", [(0.4, 1), (0.5, 0), (0.6, 1), (0.7, 0)], {"doubled": 1, "registered": 10, "bounced": 0}),
        ("bounce", [(0.4, 1), (0.402, 0), (0.403, 1), (0.6, 0)], {"bounced": 1, "doubled": 0, "registered": 10}),
        ("by itself", [(0.4, 1), (0.5, 0), (1.2, 1), (1.25, 0)], {"unasked": 1, "registered": 10, "doubled": 0}),
    ],
)
def test_one_fault_among_ten_presses(
    grow: Grow, fault: str, at_three: list[tuple[float, int]], expected: dict[str, int]
) -> None:
    finger = Finger(grow(BUTTON), lambda number: at_three if number == 3 else good(number))
    found = finger.readings()
    assert {name: found[name] for name in expected} == expected, fault
    assert ("demonstrated" in found) == (found["missed"] == 0)


def test_a_late_press_is_not_taken_for_the_next_answer(grow: Grow) -> None:
    """The next cue waits until the button has rested, however late the press came."""
    for after in (4.05, 4.5, 4.95):
        finger = Finger(grow(BUTTON), lambda n, after=after: [(after, 1), (after + 0.1, 0)] if n == 2 else good(n))
        found = finger.readings(presses=4, longest_gap=1.0)
        assert (found["registered"], found["missed"], found["doubled"]) == (4, 0, 0), after


def test_a_hold_does_not_show_through_acpi(grow: Grow) -> None:
    found = Finger(grow(BUTTON), lambda _: [(0.4, 1), (0.4, 0)]).readings()
    assert found["hold_visible"] is False and "hold_longest" not in found and found["registered"] == 10


def test_a_button_that_stays_down(grow: Grow) -> None:
    last = Finger(grow(BUTTON), lambda n: good(n) if n < 10 else [(0.4, 1)])
    assert last.readings()["stuck"] is True
    first = Finger(grow(BUTTON), lambda n: [], down=True).readings()
    assert first["stuck"] is True and first["missed"] == 10 and "hold_visible" not in first


def test_a_chattering_button_holds_nothing_up(grow: Grow) -> None:
    """A contact that never rests delays each cue by seconds, not for ever."""

    def chatter(number: int) -> list[tuple[float, int]]:
        return [(0.3 + 0.2 * n, n % 2) for n in range(1, 3000)] if number == 1 else []

    finger = Finger(grow(BUTTON), chatter)
    found = finger.readings(presses=3)
    assert isinstance(found["unasked"], int) and isinstance(found["doubled"], int)
    assert found["unasked"] + found["doubled"] > 20 and finger.clocks.loop() < 60


def test_presses_while_reading_the_instructions_do_not_count(grow: Grow) -> None:
    finger = Finger(grow(BUTTON), good)
    finger.coming = [KeyEvent(device="event3", code=116, value=v, at=0.0, seen=0.0) for v in (1, 0)]
    assert finger.readings(presses=1)["unasked"] == 0


def test_a_system_that_will_act_on_the_button_is_warned_of_first(grow: Grow) -> None:
    finger = Finger(grow(BUTTON), good, held_back="")
    assert finger.readings(presses=1)["held_back"] == "nothing"
    assert "may switch it off" in finger.said[0]


def test_hosts_without_a_button(grow: Grow) -> None:
    with pytest.raises(Absent, match="no power button"):
        Finger(grow({"sys/class/input/x": ""}), good).readings()


def test_a_button_without_an_event_device(grow: Grow) -> None:
    node = "sys/class/input/input3/event3/dev"
    with pytest.raises(NotPossible, match="no event device"):
        Finger(grow({k: v for k, v in BUTTON.items() if k != node}), good).readings()


@pytest.mark.parametrize("settings", [{"presses": 0}, {"presses": 501}, {"patience": 0.0}, {"longest_gap": 0.5}])
def test_settings_that_make_no_sense(grow: Grow, settings: dict[str, Value]) -> None:
    with pytest.raises(Exception, match=r"presses|patience|longest_gap"):
        Finger(grow(BUTTON), good).readings(**settings)


def test_a_replayed_button_through_a_worker() -> None:
    """umockdev stands in for the kernel: sysfs and ioctls; the events come as bytes, read in a real worker."""
    evdev = Path(__file__).parents[2] / "reference/evdev"
    ioctls = f"/dev/input/event3={evdev / 'pwr.ioctl'}"
    taken = Path(__file__).with_name("replayed_button.py")
    run = subprocess.run(
        ["umockdev-run", "-d", evdev / "pwr.umockdev", "-i", ioctls, "--", sys.executable, taken],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert run.returncode == 0, run.stderr
    found = json.loads(run.stdout)
    assert found["name"] == "Power Button" and "grabbed" in found["held_back"]
    assert (found["asked"], found["registered"], found["missed"], found["bounced"]) == (2, 2, 0, 1)
    assert found["hold_shortest"] == pytest.approx(0.05) and found["hold_longest"] == pytest.approx(0.15)
