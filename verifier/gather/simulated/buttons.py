"""The power button of a simulated unit: presses that are done to it, as event devices report them."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager

from verifier.errors import Absent
from verifier.gather.simulated.chance import chance
from verifier.gather.simulated.parts import Button
from verifier.gather.simulated.sockets import EVENT
from verifier.gather.simulated.state import UnitState
from verifier.services import Clocks, KeyEvent

POWER = 116
"""KEY_POWER in include/uapi/linux/input-event-codes.h."""
TWICE = 0.2
"""Seconds between the two presses that one push is heard as."""


class SimulatedButtons:
    """Serves as the service `buttons`."""

    def __init__(self, made_of: Button, seed: int, clocks: Clocks, state: UnitState) -> None:
        self._made_of, self._seed, self._clocks, self._state = made_of, seed, clocks, state

    @asynccontextmanager
    async def watch(self, devices: Sequence[str], codes: frozenset[int]) -> AsyncIterator[SimulatedKeyWatch]:
        if EVENT not in devices or not self._made_of.known:
            raise Absent(f"the simulated unit has no event device {', '.join(devices)[:100]}")
        yield SimulatedKeyWatch(self, self._clocks, down=self._made_of.sticks)

    def events(self) -> list[KeyEvent]:
        """All events of all presses up to now, and those of the last one that are still to come."""
        found = []
        for number, pressed in enumerate(self._state.presses):
            button, source = self._made_of, chance(self._seed, "press", number)
            missed, doubled = source.random() < button.missed, source.random() < button.doubled
            at = pressed + button.reaction * source.uniform(0.6, 1.6)
            held = button.hold * source.uniform(0.7, 1.5) if button.hold_visible else 0.0
            if missed or button.sticks:
                continue
            edges = [(at, 1), (at + held, 0)]
            if button.bounce and button.hold_visible:
                edges[1:1] = [(at + button.bounce / 2, 0), (at + button.bounce, 1)]
            if doubled:
                edges += [(at + TWICE + held, 1), (at + TWICE + 2 * held, 0)]
            # Boot time and loop time of a simulated run are one count.
            found += [KeyEvent(device=EVENT, code=POWER, value=value, at=at, seen=at) for at, value in edges]
        return found


class SimulatedKeyWatch:
    held_back = "simulated"

    def __init__(self, buttons: SimulatedButtons, clocks: Clocks, *, down: bool) -> None:
        self._buttons, self._clocks, self.down = buttons, clocks, down
        self._given = len(buttons.events())

    async def next(self, timeout: float) -> KeyEvent | None:
        until = self._clocks.boot() + timeout
        events = self._buttons.events()
        if self._given < len(events) and events[self._given].at <= until:
            event = events[self._given]
            self._given += 1
            await self._clocks.sleep(max(0.0, event.at - self._clocks.boot()))
            return event
        await self._clocks.sleep(max(0.0, timeout))
        return None
