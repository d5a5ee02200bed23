"""A tablet beside its screen and battery: motion sensor, backlight, cameras, dock contacts, side buttons."""

from __future__ import annotations

import math
import random
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import anyio
import pytest

sys.path.insert(0, str(Path(__file__).parent))
from panel import SYN

from verifier.errors import Absent, BenchFault, NotPossible, VerifierError
from verifier.gather.hosts import open_host
from verifier.gather.probes.dock import Contacts
from verifier.gather.probes.keys import SideButtons
from verifier.gather.probes.motion import GRAVITY, POSITIONS, AtRest, turned
from verifier.gather.virtual_time import VirtualClocks, backend_options
from verifier.gather.workers import run_probe
from verifier.readings import Reading
from verifier.services import InputEvent
from verifier.steps import Cue

Grow = Callable[[dict[str, str | bytes]], Path]
Read = Callable[..., dict[str, Any]]


class Hands:
    """A host on a tree; `act` is told each cue and may change the tree, the time and what comes next."""

    address = "local"
    services = frozenset({"files", "input"})

    def __init__(self, tree: Path, act: Callable[[str], None] = lambda said: None) -> None:
        self.clocks = VirtualClocks(seed=1)
        self._tree = open_host(f"recorded:{tree}", self.clocks).files
        self._act = act
        self.before_read: Callable[[], None] = lambda: None
        self.recording: list[InputEvent] = []
        self.said: list[str] = []

    @property
    def files(self) -> Any:
        self.before_read()
        return self._tree

    @property
    def input(self) -> Hands:
        return self

    async def axis(self, device: str, code: int) -> None:
        return None

    async def record(self, device: str, seconds: float) -> tuple[InputEvent, ...]:
        return tuple(self.recording)

    def take(self, probe: Any, **settings: Any) -> dict[str, Reading]:
        async def collect() -> dict[str, Reading]:
            found: dict[str, Reading] = {}
            async for one in run_probe(probe, self, settings):  # type: ignore[arg-type]
                if isinstance(one, Cue):
                    self.said.append(one.say)
                    self._act(one.say)
                else:
                    found[one.name] = one
            return found

        return anyio.run(collect, backend_options=backend_options(self.clocks))


def values(found: dict[str, Reading]) -> dict[str, Any]:
    return {name: reading.value for name, reading in found.items()}


# ---- motion sensor --------------------------------------------------------------------------------------

IIO = "sys/bus/iio/devices/iio:device0"
SCALE = 0.009806650
"""m/s² a step: 1 mg, a common setting."""
DOWN = {
    "on its back, screen up": (0, 0, 1000),
    "on its face, screen down": (0, 0, -1000),
    "upright on its bottom edge": (0, 1000, 0),
    "upside down on its top edge": (0, -1000, 0),
    "on its left edge": (1000, 0, 0),
    "on its right edge": (-1000, 0, 0),
}


def sensor(grow: Grow, **more: str) -> Path:
    files = {"name": "tablet-accel", "in_accel_scale": f"{SCALE:.9f}"}
    files |= dict.fromkeys(("in_accel_x_raw", "in_accel_y_raw"), "0") | {"in_accel_z_raw": "1000"}
    return grow({f"{IIO}/{name}": text + "\n" for name, text in {**files, **more}.items()})


def laid(grow: Grow, tree: Path, change: Callable[[Sequence[float]], Sequence[float]] = lambda v: v) -> Hands:
    """A unit that is laid as it is told, with noise of one step; `change` is what the sensor makes of it."""
    chance, now = random.Random(1), [(0, 0, 1000)]

    def act(said: str) -> None:
        now[0] = next(vector for position, vector in DOWN.items() if position in said)

    hands = Hands(tree, act)

    def shake() -> None:
        raw = [round(v + chance.gauss(0, 1)) for v in change(now[0])]
        grow({f"{IIO}/in_accel_{a}_raw": f"{v}\n" for a, v in zip("xyz", raw, strict=True)})

    hands.before_read = shake
    return hands


def test_a_good_sensor_shows_gravity_on_all_six_sides(grow: Grow) -> None:
    hands = laid(grow, sensor(grow))
    found = hands.take(AtRest(), samples=4)
    assert found["magnitude"].value == pytest.approx(GRAVITY, abs=0.02) and found["turned"].value is True
    for axis in "xyz":
        assert found[f"{axis}_span"].value == pytest.approx(GRAVITY, abs=0.02)
        assert found[f"{axis}_zero"].value == pytest.approx(0, abs=0.02)
    assert [p in said for p, said in zip(POSITIONS, hands.said, strict=True)] == [True] * 6
    assert 0 < float(found["unrest"].value) < 0.03


def test_scale_and_zero_of_one_axis_are_told_apart(grow: Grow) -> None:
    found = laid(grow, sensor(grow), lambda v: (v[0] * 1.05, v[1] + 40, v[2])).take(AtRest(), samples=4)
    assert found["x_span"].value == pytest.approx(1.05 * GRAVITY, abs=0.02)
    assert found["y_zero"].value == pytest.approx(40 * SCALE, abs=0.02)
    assert found["z_span"].value == pytest.approx(GRAVITY, abs=0.02) and found["turned"].value is True
    # The worst of six is told: 1.05 g or 1 g and 40 mg.
    assert found["magnitude"].value == pytest.approx(1.05 * GRAVITY, abs=0.02)


@pytest.mark.parametrize(
    "change",
    [lambda v: (v[0], v[1], 1000), lambda v: (v[0], v[0], v[2]), lambda v: (abs(v[0]), v[1], v[2])],
    ids=["an axis stands still", "an axis is dead", "an axis does not change its sign"],
)
def test_a_sensor_that_does_not_turn_with_the_unit(grow: Grow, change: Callable[[Any], Any]) -> None:
    assert laid(grow, sensor(grow), change).take(AtRest(), samples=4)["turned"].value is False


def test_how_level_it_stood_is_in_the_uncertainty_of_the_axes(grow: Grow) -> None:
    """A unit tilted by θ shows g·cos θ on that axis: half-width g(1 − cos 3°), u = a/√3 (JCGM 100, 4.3.7)."""
    found = laid(grow, sensor(grow)).take(AtRest(), samples=4)
    (tilt,) = [c for c in found["x_span"].contributions if "level" in c.note]
    assert tilt.u == pytest.approx(GRAVITY * (1 - math.cos(math.radians(3))) / math.sqrt(3))


def test_offset_and_scale_by_axis(read: Read, grow: Grow) -> None:
    """Documentation/ABI/testing/sysfs-bus-iio: (raw + offset) × scale is in m/s²."""
    more = {"in_accel_z_scale": "0.0196133", "in_accel_z_offset": "-500"}
    found = read("motion.rest", sensor(grow, **more), positions=1, samples=3)
    assert found["magnitude"].value == pytest.approx(500 * 0.0196133)
    assert set(found) == {"sensor", "magnitude", "unrest"}


def test_which_sensor_is_meant(read: Read, grow: Grow) -> None:
    with pytest.raises(NotPossible, match="nobody can lay it on another side"):
        read("motion.rest", sensor(grow))
    with pytest.raises(Absent, match="no accelerometer called lid"):
        read("motion.rest", sensor(grow), name="lid*")
    with pytest.raises(NotPossible, match="does not tell its scale"):
        read("motion.rest", sensor(grow, in_accel_scale="1 mg"))
    with pytest.raises(BenchFault, match="one of its axes"):
        read("motion.rest", sensor(grow, in_accel_scale=str(SCALE), in_accel_y_raw="?"), positions=1)


def test_turned_needs_three_axes() -> None:
    x, y, z = ((9.8, 0.0, 0.0), (0.0, 9.8, 0.0), (0.0, 0.0, 9.8))

    def minus(v: tuple[float, float, float]) -> tuple[float, float, float]:
        return (-v[0], -v[1], -v[2])

    assert turned([z, minus(z), y, minus(y), x, minus(x)])
    assert not turned([z, minus(z), z, minus(z), x, minus(x)])
    assert not turned([z, minus(y), y, minus(z), x, minus(x)])


# ---- backlight and cameras ------------------------------------------------------------------------------


def backlight(grow: Grow, name: str = "panel", **files: str) -> Path:
    given = {"max_brightness": "255", "brightness": "204", "actual_brightness": "102", "bl_power": "0", **files}
    return grow({f"sys/class/backlight/{name}/{file}": f"{text}\n" for file, text in given.items()})


def test_a_backlight(read: Read, grow: Grow) -> None:
    found = read("display.backlight", backlight(grow))
    assert values(found) == {"backlight": "panel", "set": 80.0, "shown": 40.0, "on": True}
    assert values(read("display.backlight", backlight(grow, bl_power="4")))["on"] is False  # FB_BLANK_POWERDOWN
    backlight(grow, "second")
    with pytest.raises(NotPossible, match="panel, second"):
        read("display.backlight", backlight(grow))


def test_no_backlight(read: Read, grow: Grow) -> None:
    with pytest.raises(Absent, match="no backlight"):
        read("display.backlight", backlight(grow, max_brightness="0"))


def test_cameras_are_counted_once_each(read: Read, grow: Grow) -> None:
    """A camera has several nodes, of which the first has index 0."""
    at = "sys/class/video4linux"
    tree = {f"{at}/video0/name": "front 5M", f"{at}/video0/index": "0", f"{at}/video1/name": "front 5M"}
    tree |= {f"{at}/video1/index": "1", f"{at}/video2/name": "rear 12M", f"{at}/video2/index": "0"}
    folder = grow(tree)
    assert values(read("camera.device", folder, name="front*")) == {"cameras": 1, "name": "front 5M"}
    assert read("camera.device", folder)["cameras"].value == 2
    with pytest.raises(Absent, match="no camera called infra"):
        read("camera.device", folder, name="infra*")


# ---- dock -----------------------------------------------------------------------------------------------

DOCK = {"supply": "dock-in", "network": "eth0", "usb": "1-2"}
FILES = {
    "supply": "sys/class/power_supply/dock-in/online",
    "network": "sys/class/net/eth0/carrier",
    "usb": "sys/bus/usb/devices/1-2/idVendor",
}


def docked(grow: Grow, *, dead: str = "", wobble: bool = False, link: bool = True) -> Hands:
    """Taken out and put back when told; `dead` is a contact that brings nothing; without `link` SSH is lost."""
    tree = grow(dict.fromkeys(FILES.values(), "1\n"))
    undocked_at: list[float] = []

    def out() -> None:
        grow({FILES["supply"]: "0\n", FILES["network"]: "0\n"})
        (tree / FILES["usb"]).unlink()

    def act(said: str) -> None:
        if said.startswith("Take"):
            undocked_at.append(hands.clocks.loop())
            out()
        else:
            undocked_at.clear()
            grow(dict.fromkeys((path for part, path in FILES.items() if part != dead), "1\n"))

    hands = Hands(tree, act)
    looks = [0]

    def before() -> None:
        looks[0] += 1
        if undocked_at and not link:
            raise BenchFault("the link to the unit was lost")
        if wobble and not undocked_at:
            grow({FILES["network"]: "0\n" if looks[0] == 14 else "1\n"})

    hands.before_read = before
    return hands


@pytest.mark.parametrize("link", [True, False])
def test_all_that_a_dock_brings(grow: Grow, link: bool) -> None:
    hands = docked(grow, link=link)
    found = values(hands.take(Contacts(), **DOCK))
    assert found == {"supply": True, "network": True, "usb": True, "came_and_went": 0}
    assert [said.split()[0] for said in hands.said] == ["Take", "Put"] and hands.clocks.loop() < 10


@pytest.mark.parametrize("dead", FILES)
def test_a_contact_that_brings_nothing(grow: Grow, dead: str) -> None:
    found = values(docked(grow, dead=dead).take(Contacts(), **DOCK))
    assert found == {**dict.fromkeys(FILES, True), dead: False, "came_and_went": 0}


def test_a_contact_that_comes_and_goes(grow: Grow) -> None:
    found = values(docked(grow, wobble=True).take(Contacts(), **DOCK))
    assert found["network"] is True and found["came_and_went"] == 1


def test_a_unit_that_stays_in_its_dock_is_not_judged(grow: Grow) -> None:
    hands = Hands(grow(dict.fromkeys(FILES.values(), "1\n")))
    with pytest.raises(NotPossible, match="not taken out of its dock within 60 s"):
        hands.take(Contacts(), **DOCK)


@pytest.mark.parametrize("wrong", [{}, {"usb": "../1"}, {"network": "a/b"}, {"usb": "1-2", "patience": 1}])
def test_docks_that_are_none(grow: Grow, wrong: dict[str, Any]) -> None:
    with pytest.raises(VerifierError, match=r"settings of|name one|no USB path|no name|patience"):
        Hands(grow({})).take(Contacts(), **wrong)


# ---- side buttons ---------------------------------------------------------------------------------------

UP, DOWNWARDS = 115, 114
KEYS = {"volume up": UP, "volume down": DOWNWARDS}


def buttons(grow: Grow, pressed: Callable[[str], list[tuple[float, int, int]]]) -> Hands:
    """`pressed` gives the events of one cue: seconds, code, value."""
    at = "sys/class/input/input2"
    # Bits 114 and 115 of capabilities/key, in words of 64 bits: the second word, bits 50 and 51.
    tree = grow({
        f"{at}/name": "gpio-keys", f"{at}/id/bustype": "0019", f"{at}/capabilities/key": f"{3 << 50:x} 0",
        f"{at}/event2/dev": "13:66", "proc/sys/kernel/arch": "aarch64",
    })  # fmt: skip

    def act(said: str) -> None:
        name = next(name for name in KEYS if name in said)
        hands.recording = [
            event
            for at, code, value in pressed(name)
            for event in (
                InputEvent(kind=1, code=code, value=value, at=at),
                InputEvent(kind=SYN, code=0, value=0, at=at),
            )
        ]

    hands = Hands(tree, act)
    return hands


def one(code: int) -> list[tuple[float, int, int]]:
    return [(0.5, code, 1), (0.6, code, 0)]


def test_buttons_that_work_in_an_order_nobody_knows(grow: Grow) -> None:
    hands = buttons(grow, lambda name: one(KEYS[name]))
    found = values(hands.take(SideButtons(random.Random(3)), keys=KEYS, times=5))
    assert found == {"asked": 10, "registered": 10, "missed": 0, "doubled": 0, "wrong": 0}
    asked = [next(name for name in KEYS if name in said) for said in hands.said]
    assert sorted(asked) == ["volume down"] * 5 + ["volume up"] * 5 and asked != sorted(asked)


def test_a_flex_plugged_in_askew_exchanges_two_buttons(grow: Grow) -> None:
    exchanged = buttons(grow, lambda name: one(UP if name == "volume down" else DOWNWARDS))
    found = values(exchanged.take(SideButtons(), keys=KEYS, times=2))
    assert (found["registered"], found["missed"], found["wrong"]) == (0, 4, 4)


def test_a_dead_and_a_doubled_button(grow: Grow) -> None:
    twice = [*one(UP), (0.8, UP, 1), (0.9, UP, 0)]
    found = values(
        buttons(grow, lambda name: twice if name == "volume up" else []).take(SideButtons(), keys=KEYS, times=1)
    )
    assert found == {"asked": 2, "registered": 1, "missed": 1, "doubled": 1, "wrong": 0}


def test_buttons_that_cannot_be_asked_for(grow: Grow) -> None:
    hands = buttons(grow, lambda name: [])
    with pytest.raises(Absent, match=r"no button home \(key code 102\)"):
        hands.take(SideButtons(), keys={"home": 102})
    with pytest.raises(VerifierError, match=r"button\.presses"):
        hands.take(SideButtons(), keys={"power": 116})
    with pytest.raises(VerifierError, match="1 to 12 buttons"):
        hands.take(SideButtons(), keys={"one": 115, "two": 115})
