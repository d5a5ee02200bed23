"""What a simulated tablet has beside the rest: a battery, a touch panel, side buttons, a motion sensor, a dock."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from verifier.errors import Absent
from verifier.gather.simulated.chance import chance, noise
from verifier.gather.simulated.files import Content
from verifier.gather.simulated.parts import Backlight, Battery, Camera, Dock, Keys, Motion, Touch
from verifier.gather.simulated.state import UnitState
from verifier.services import Clocks, InputEvent

SUPPLIES = "/sys/class/power_supply"
PANEL, KEYS = ("input5", "event5"), ("input2", "event2")
"""Input device and event device."""
_SYN, _KEY, _ABS = 0, 1, 3
_SLOT, _X, _Y, _TRACKING = 0x2F, 0x35, 0x36, 0x39
"""Linux include/uapi/linux/input-event-codes.h."""
STEP = 5.0
"""Seconds in which the battery's state is carried on."""
AT_REST = 0.3
"""Amperes that the tablet draws of its battery."""
SIDES = {
    "screen up": (0, 0, 1),
    "screen down": (0, 0, -1),
    "bottom edge": (0, 1, 0),
    "top edge": (0, -1, 0),
    "left edge": (1, 0, 0),
    "right edge": (-1, 0, 0),
}
"""Which way gravity shows on the sensor's axes, by the side that the tablet lies or stands on."""
GRAVITY = 9.80665


class Gauge:
    """The battery as its gauge shows it: a cell behind one resistance, charged with constant current, then with
    constant voltage; warmed by what it loses, through one thermal resistance."""

    def __init__(self, made_of: Battery, clocks: Clocks, state: UnitState) -> None:
        self._made_of, self._clocks, self._state = made_of, clocks, state
        self._charge, self._temperature, self._at = made_of.charge, made_of.ambient, 0.0
        self._full, self.inhibited = False, False

    def _open_volts(self) -> float:
        # 4.35 V full, 3.4 V empty, straight between (invented).
        return 3.4 + 0.95 * self._charge

    def _amps(self) -> float:
        """What flows into the battery now."""
        made_of = self._made_of
        if not self._state.charging:
            return -AT_REST
        if self.inhibited or self._full:
            return 0.0
        return max(0.0, min(made_of.amps, (made_of.full_volts - self._open_volts()) / made_of.ohms))

    def _carry_on(self) -> None:
        made_of, now = self._made_of, self._clocks.boot()
        while self._at < now:
            took = min(STEP, now - self._at)
            amps = self._amps()
            self._full = self._full or (self._state.charging and 0 < amps <= made_of.cutoff)
            self._charge = min(1.0, self._charge + amps * took / 3600 / (made_of.amp_hours * made_of.left))
            warm = made_of.ambient + made_of.kelvin_per_watt * amps * amps * made_of.ohms
            self._temperature += (warm - self._temperature) * (1 - math.exp(-took / made_of.heat_seconds))
            self._at += took

    def contents(self) -> dict[str, Content]:
        """Its files (Linux Documentation/ABI/testing/sysfs-class-power)."""
        made_of = self._made_of
        if not made_of.connected:
            return {}

        def value(read: Callable[[], str]) -> Callable[[], str]:
            def after() -> str:
                self._carry_on()
                return f"{read()}\n"

            return after

        def status() -> str:
            if not self._state.charging:
                return "Discharging"
            return "Not charging" if self.inhibited else "Full" if self._full else "Charging"

        whole = made_of.amp_hours * 1e6
        files: dict[str, Content] = {
            "type": "Battery\n",
            "present": "1\n",
            "health": f"{made_of.health}\n",
            "cycle_count": f"{made_of.cycles}\n",
            "charge_full_design": f"{whole:.0f}\n",
            "charge_full": f"{whole * made_of.left:.0f}\n",
            "charge_now": value(lambda: f"{whole * made_of.left * self._charge:.0f}"),
            "capacity": value(lambda: f"{round(100 * min(1.0, self._charge + 0.02))}"),
            "status": value(status),
            "voltage_now": value(lambda: f"{round((self._open_volts() + self._amps() * made_of.ohms) * 1e6)}"),
            "current_now": value(lambda: f"{round(self._amps() * 1000) * 1000}"),
            "temp": value(lambda: f"{round(self._temperature * 10)}"),
        }
        return {f"{SUPPLIES}/{made_of.name}/{file}": content for file, content in files.items()}


class SimulatedInput:
    """Serves as the service `input`: the touch panel and the side buttons."""

    def __init__(
        self, touch: Touch | None, keys: Keys | None, seed: int, clocks: Clocks, state: UnitState
    ) -> None:
        self._touch, self._keys, self._seed, self._clocks, self._state = touch, keys, seed, clocks, state

    async def axis(self, device: str, code: int) -> tuple[int, int] | None:
        touch = self._touch
        if touch is None or device != PANEL[1]:
            raise Absent(f"the simulated unit has no event device {device[:50]}")
        return {_X: (0, touch.width - 1), _Y: (0, touch.height - 1)}.get(code)

    async def record(self, device: str, seconds: float) -> tuple[InputEvent, ...]:
        await self._clocks.sleep(seconds)
        wiped, self._state.wiped = self._state.wiped, False
        pressed, self._state.key = self._state.key, 0
        if self._touch is not None and device == PANEL[1]:
            return (*self._ghosts(self._touch, seconds), *(self._wipe(self._touch) if wiped else []))
        if self._keys is not None and device == KEYS[1]:
            return tuple(self._press(self._keys, pressed) if pressed else [])
        raise Absent(f"the simulated unit has no event device {device[:50]}")

    def _dead(self, touch: Touch) -> set[tuple[int, int]]:
        return {
            (column, row)
            for column in range(touch.columns)
            for row in range(touch.rows)
            if touch.dead_from <= column < touch.dead_from + touch.dead_columns
        }

    def _wipe(self, touch: Touch) -> list[InputEvent]:
        """One finger over the middle of every cell, line by line; a dead cell lifts it."""
        events: list[InputEvent] = []
        dead = self._dead(touch)
        for row in range(touch.rows):
            down = False
            for column in range(touch.columns):
                if (column, row) in dead:
                    events += self._frame((_TRACKING, -1)) if down else []
                    down = False
                    continue
                x = (2 * column + 1) * touch.width // (2 * touch.columns)
                y = (2 * row + 1) * touch.height // (2 * touch.rows)
                start = [] if down else [(_SLOT, 0), (_TRACKING, row * touch.columns + column + 1)]
                events += self._frame(*start, (_X, x), (_Y, y))
                down = True
            events += self._frame((_TRACKING, -1)) if down else []
        return events

    def _ghosts(self, touch: Touch, seconds: float) -> list[InputEvent]:
        """Touches of nobody, at moments and places that chance decides."""
        source = chance(self._seed, "ghosts", f"{self._clocks.boot():.3f}")
        count = sum(source.random() < touch.ghosts_per_minute / 60 for _ in range(int(seconds)))
        events: list[InputEvent] = []
        for number in range(count):
            x, y = source.randrange(touch.width), source.randrange(touch.height)
            events += self._frame((_SLOT, 0), (_TRACKING, 30_000 + number), (_X, x), (_Y, y))
            events += self._frame((_TRACKING, -1))
        return events

    def _frame(self, *changes: tuple[int, int]) -> list[InputEvent]:
        at = self._clocks.boot()
        found = [InputEvent(kind=_ABS, code=code, value=value, at=at) for code, value in changes]
        return [*found, InputEvent(kind=_SYN, code=0, value=0, at=at)]

    def _press(self, keys: Keys, code: int) -> list[InputEvent]:
        at = self._clocks.boot()
        if chance(self._seed, "key", f"{at:.3f}").random() < keys.missed:
            return []
        if keys.exchanged:
            codes = list(keys.codes.values())
            code = codes[codes.index(code) - 1] if code in codes else code
        return [InputEvent(kind=_KEY, code=code, value=value, at=at + 0.1 * (1 - value)) for value in (1, 0)]

    def contents(self) -> dict[str, Content]:
        """Their files (Linux drivers/input/input.c, input_print_bitmap)."""
        found: dict[str, Content] = {}
        if self._touch is not None and self._touch.known:
            at = f"/sys/class/input/{PANEL[0]}"
            axes = sum(1 << bit for bit in (0, 1, _SLOT, _X, _Y, _TRACKING))
            found |= {
                f"{at}/name": f"{self._touch.title}\n",
                f"{at}/id/bustype": "0018\n",
                f"{at}/capabilities/key": "400 0 0 0 0 0\n",
                f"{at}/capabilities/abs": f"{axes:x}\n",
                f"{at}/properties": "2\n",
                f"{at}/{PANEL[1]}/dev": "13:69\n",
            }
        if self._keys is not None and self._keys.known:
            at = f"/sys/class/input/{KEYS[0]}"
            bits = sum(1 << code for code in self._keys.codes.values())
            words = " ".join(
                f"{bits >> 64 * n & (1 << 64) - 1:x}" for n in reversed(range(bits.bit_length() // 64 + 1))
            )
            found |= {
                f"{at}/name": "gpio-keys\n",
                f"{at}/id/bustype": "0019\n",
                f"{at}/capabilities/key": f"{words}\n",
                f"{at}/{KEYS[1]}/dev": "13:66\n",
            }
        return found


def motion(made_of: Motion, seed: int, clocks: Clocks, state: UnitState) -> dict[str, Content]:
    """Files of the accelerometer (Linux Documentation/ABI/testing/sysfs-bus-iio): counts, and m/s² of one."""
    at = "/sys/bus/iio/devices/iio:device0"
    contents: dict[str, Content] = {
        f"{at}/name": f"{made_of.title}\n",
        f"{at}/in_accel_scale": f"{made_of.scale:.9f}\n",
    }
    for number, axis in enumerate("xyz"):

        def raw(number: int = number, axis: str = axis) -> str:
            side = next((down for name, down in SIDES.items() if name in state.lies_on), SIDES["screen up"])
            true = GRAVITY * made_of.gain * side[number]
            if axis == made_of.dead_axis:
                true = GRAVITY
            value = true + noise(seed, f"motion {axis}", clocks.boot(), made_of.noise)
            return f"{round(value / made_of.scale)}\n"

        contents[f"{at}/in_accel_{axis}_raw"] = raw
    return contents


def cameras(made_of: Mapping[str, Camera]) -> dict[str, Content]:
    """Files of the cameras (Linux drivers/media/v4l2-core/v4l2-dev.c)."""
    found: dict[str, Content] = {}
    for camera in made_of.values():
        if camera.connected:
            at = f"/sys/class/video4linux/{camera.device}"
            found |= {f"{at}/name": f"{camera.title}\n", f"{at}/index": "0\n"}
    return found


def backlight(made_of: Backlight) -> dict[str, Content]:
    """Files of the panel's light (Linux Documentation/ABI/stable/sysfs-class-backlight)."""
    at, shown = f"/sys/class/backlight/{made_of.name}", round(made_of.shown * 255)
    fields = {
        "type": "raw",
        "bl_power": "0",
        "max_brightness": "255",
        "brightness": "204",
        "actual_brightness": shown,
    }
    return {f"{at}/{name}": f"{value}\n" for name, value in fields.items()}


def dock(made_of: Dock, state: UnitState) -> tuple[dict[str, Content], dict[str, Callable[[], bool]]]:
    """Files of what the dock's contacts bring, and the folder that is gone without them."""
    usb = f"/sys/bus/usb/devices/{made_of.usb}"
    return {
        f"{SUPPLIES}/{made_of.supply}/type": "Mains\n",
        f"{SUPPLIES}/{made_of.supply}/online": lambda: f"{int(state.docked and made_of.supply_contact)}\n",
        f"{usb}/idVendor": "fffe\n",
        f"{usb}/idProduct": "0001\n",
        f"{usb}/bDeviceClass": "00\n",
        f"{usb}/speed": "480\n",
        f"{usb}/product": "Dock test stick\n",
    }, {usb: lambda: not (state.docked and made_of.usb_contact)}
