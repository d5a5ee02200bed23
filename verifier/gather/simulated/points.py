"""What instruments, and the technician's eyes and ears, find at the points of a simulated unit."""

from __future__ import annotations

import math

from verifier.gather.simulated.chance import chance, noise, spread
from verifier.gather.simulated.clock import cell_volts
from verifier.gather.simulated.description import Description
from verifier.gather.simulated.state import UnitState

PRESSES = 10
"""Times that the technician presses the power button for `button.heard`."""
TICKET_LINE = 42
"""Characters of one printed line, its ending included."""


class Points:
    def __init__(self, unit: Description, seed: int, state: UnitState | None = None) -> None:
        self._unit, self._seed, self._state = unit, seed, state or UnitState()

    @staticmethod
    def unit(point: str) -> str:
        """V, A, or 1 for a count."""
        return {"cell": "V", "backup": "A", "usb": "V", "supply": "A"}.get(point.partition(".")[0], "1")

    def value(self, point: str, amps: float = 0.0, at: float = 0.0) -> float:
        """In V, A or counts, with `amps` drawn, `at` seconds. KeyError for none of the unit's points."""
        unit, seed = self._unit, self._seed
        match point.split("."):
            case ["cell"] if unit.cell is not None:
                volts = cell_volts(unit.cell, seed)
                return math.copysign(max(0.0, abs(volts) - amps * unit.cell.ohms), volts)
            case ["backup"] if unit.cell is not None:
                return unit.clock.backup if cell_volts(unit.cell, seed) > 0 else 0.0
            case ["supply", "off" | "idle" | "start" as state] if (supply := unit.supply) is not None:
                drawn = {"off": supply.off, "idle": supply.idle, "start": supply.start or supply.idle}[state]
                share = spread(seed, "supply", supply.spread) + noise(seed, "supply", at, supply.noise)
                return max(0.0, drawn * (1 + share))
            case ["usb", label] if label in unit.usb:
                socket = unit.usb[label]
                open_circuit = socket.volts + spread(seed, f"usb {label}", socket.spread)
                return max(0.0, open_circuit - amps * socket.ohms)
            case ["sound", "tones"] if (sound := unit.sound) is not None:
                # Three left, two right, and one's own voice; what is a tenth as loud is not heard.
                return 3 * (sound.left > 0.1) + 2 * (sound.right > 0.1) + (sound.microphone > 0.1)
            case ["sound", "beeps"] if (sound := unit.sound) is not None:
                heard, self._state.beeps = self._state.beeps * (max(sound.left, sound.right) > 0.1), 0
                return heard
            case ["display", label] if label in unit.displays:
                # A picture needs all its lanes.
                display = unit.displays[label]
                whole = display.hot_plug and display.edid != "none" and display.lanes == 4
                return self._state.squares if whole else 0
            case ["button", "heard"] if unit.button is not None:
                return self._heard()
            case ["line", name, "of", count] if count.isdecimal():
                return self._whole_lines(name, min(int(count), 10_000))
        raise KeyError(point)

    def _heard(self) -> int:
        """Presses that were heard once and no more."""
        button = self._unit.button
        assert button is not None  # noqa: S101 - the point is there
        if button.sticks:
            return 0
        source = chance(self._seed, "presses by hand")
        return sum(
            (source.random() >= button.missed) & (source.random() >= button.doubled) for _ in range(PRESSES)
        )

    def _whole_lines(self, name: str, count: int) -> int:
        line = next((line for line in self._unit.lines if line.name == name), None)
        if line is None:
            raise KeyError(name)
        source = chance(self._seed, "printed", name)
        whole = sum(source.random() < (1 - line.errors) ** TICKET_LINE for _ in range(count))
        # Without flow control a printer that stops loses what is sent meanwhile.
        return whole if line.handshake else whole * 3 // 4
