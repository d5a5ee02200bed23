"""The commands that a simulated unit has: its shell draws pictures on its text console, and it plays a beep."""

from __future__ import annotations

import re

from verifier.errors import Absent
from verifier.gather.simulated.description import Description
from verifier.gather.simulated.files import Content
from verifier.gather.simulated.state import UnitState
from verifier.services import Clocks, CommandResult

CONSOLE_FILES: dict[str, Content] = {
    "/sys/class/tty/tty0/active": "tty1\n",
    "/sys/class/vtconsole/vtcon1/name": "(M) frame buffer device\n",
    "/sys/class/vtconsole/vtcon1/bind": "1\n",
}
"""The kernel draws its text console on the displays (Linux Documentation/driver-api/console.rst)."""
_SQUARE = re.compile(r"\\033\[4[1-7]m")
"""A background other than black, as printf reads it (ECMA-48, SGR): where one begins, a square is drawn."""
BEEP = 0.4
"""Seconds that a beep lasts."""


class SimulatedCommands:
    def __init__(self, unit: Description, clocks: Clocks, state: UnitState) -> None:
        self._unit, self._clocks, self._state = unit, clocks, state

    async def run(self, *argv: str, timeout: float = 10.0) -> CommandResult:
        """Raises Absent for a command that the unit does not have."""
        match argv:
            case ("sh", "-c", _, "sh", device, drawing, seconds, _) if device.startswith("/dev/tty"):
                self._state.squares = len(_SQUARE.findall(drawing))
                await self._clocks.sleep(float(seconds))
            case _ if (sound := self._unit.sound) is not None and sound.beep and argv == sound.beep:
                self._state.beeps += 1
                await self._clocks.sleep(BEEP)
            case _:
                raise Absent(f"the simulated unit has no command {' '.join(argv)[:200]}")
        return CommandResult(argv=argv, exit=0, stdout="")
