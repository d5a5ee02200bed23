"""What the console of a simulated unit answers: fixed replies, relays, inputs and a lamp."""

from __future__ import annotations

from verifier.gather.simulated.chance import chance, noise, spread
from verifier.gather.simulated.clock import UnitClock
from verifier.gather.simulated.description import Description
from verifier.gather.simulated.parts import Input, Line
from verifier.gather.simulated.state import UnitState
from verifier.services import Clocks


class Answering:
    def __init__(
        self, unit: Description, seed: int, clocks: Clocks, state: UnitState, unit_clock: UnitClock
    ) -> None:
        self._unit, self._seed, self._clocks, self._state, self._clock = unit, seed, clocks, state, unit_clock

    def answer(self, line: Line, command: str) -> str:
        said = self._heard(line, command)
        return self._damaged(line, said) if line.errors else said

    def _heard(self, line: Line, command: str) -> str:
        unit, state = self._unit, self._state
        if command in line.replies:
            words = {
                "{serial}": unit.identity.product_serial or "",
                "{firmware}": unit.identity.bios_version or "",
                "{product}": unit.identity.product_name or "",
                "{time}": self._clock.text() if "{time}" in line.replies[command] else "",
            }
            text = line.replies[command]
            for word, value in words.items():
                text = text.replace(word, value)
            return text
        for name, relay in unit.relays.items():
            if command in (relay.close, relay.open):
                state.closed[name] = command == relay.close
                return relay.reply
        for name, measuring in unit.inputs.items():
            if command == measuring.ask:
                return self._measured(name, measuring)
        if (lamp := unit.lamp) is not None and command in (lamp.on, lamp.off):
            state.lamp = command == lamp.on
            return lamp.reply
        return line.unknown

    def _measured(self, name: str, measuring: Input) -> str:
        driven = 0.0
        for relay_name, relay in self._unit.relays.items():
            closed = {"no": self._state.closed.get(relay_name, False), "open": False, "closed": True}[relay.stuck]
            if closed and measuring.connected:
                driven += relay.drives.get(name, 0.0)
        value = measuring.gain * driven + measuring.offset
        value += spread(self._seed, f"input {name}", measuring.spread)
        value += noise(self._seed, f"input {name}", self._clocks.boot(), measuring.noise)
        return f"{value:.{measuring.decimals}f}".replace(
            "-0." + "0" * measuring.decimals, "0." + "0" * measuring.decimals
        )

    def _damaged(self, line: Line, said: str) -> str:
        source = chance(self._seed, line.name, f"{self._clocks.boot():.6f}")
        # A damaged character is one with another bit pattern: here one that is no text.
        return "".join("\x7f" if source.random() < line.errors else character for character in said)
