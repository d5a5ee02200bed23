"""A simulated wired port: its files, and when its link is lost."""

from __future__ import annotations

import errno
import math
from collections.abc import Callable

from verifier.gather.simulated.chance import chance
from verifier.gather.simulated.files import Content
from verifier.gather.simulated.parts import Ethernet
from verifier.gather.simulated.state import UnitState
from verifier.services import Clocks

NET = "/sys/class/net"
FRAME = 512
"""Bytes of a frame, for the byte counters."""


class Port:
    """Files of one interface (Linux Documentation/ABI/testing/sysfs-class-net, -statistics)."""

    def __init__(
        self, made_of: Ethernet, seed: int, clocks: Clocks, state: UnitState, *, docked: bool = False
    ) -> None:
        """`docked` where it goes through a dock."""
        self._docked = docked
        self.made_of, self._seed, self._clocks, self._state = made_of, seed, clocks, state
        self._drops: list[float] = []
        """Moments at which the link was lost, up to `_looked`, a whole second."""
        self._looked = 0

    @property
    def up(self) -> bool:
        """Whether it has a link now."""
        made_of = self.made_of
        if not (made_of.enabled and made_of.link) or (self._docked and not self._state.docked):
            return False
        drops, now = self.drops(), self._clocks.boot()
        return not (drops and now < drops[-1] + made_of.drop_seconds)

    def drops(self) -> list[float]:
        """The moments up to now at which the link was lost: for each second, whether one falls into it."""
        made_of, now = self.made_of, self._clocks.boot()
        if not (made_of.drops_per_hour or made_of.drops_moved):
            return []
        # A second is decided on when it is over or under way; the plug is moved in whole ones.
        while self._looked <= now:
            second, self._looked = self._looked, self._looked + 1
            moved = any(begun < second + 1 and second < ended for begun, ended in self._state.moved)
            often = made_of.drops_per_hour / 3600 + (made_of.drops_moved if moved else 0.0)
            source = chance(self._seed, made_of.interface, "drop", second)
            if source.random() < 1 - math.exp(-often):  # at least one of a Poisson process
                self._drops.append(second + source.random())
        return [at for at in self._drops if at <= now]

    def contents(self) -> dict[str, Content]:
        port, at, hour = self.made_of, f"{NET}/{self.made_of.interface}", 3600.0
        off = OSError(errno.EINVAL, "")  # as the kernel says of an interface that is switched off
        linked = port.enabled and port.link

        def count(per_second: float) -> Callable[[], str]:
            rate = per_second if linked else 0.0
            return lambda: f"{int(self._clocks.boot() * rate)}\n"

        def changes() -> str:
            drops = len(self.drops())
            return f"{int(linked) + 2 * drops - (drops > 0 and not self.up)}\n"

        counters = {
            "rx_packets": port.frames_per_second,
            "tx_packets": port.frames_per_second,
            "rx_bytes": port.frames_per_second * FRAME,
            "tx_bytes": port.frames_per_second * FRAME,
            "rx_errors": port.errors_per_hour / hour,
            "rx_crc_errors": port.errors_per_hour / hour,
            "tx_errors": 0.0,
            "rx_frame_errors": 0.0,
            "rx_dropped": 0.0,
            "tx_dropped": 0.0,
            "collisions": 0.0,
        }
        return {
            f"{at}/type": "1\n",
            f"{at}/device/uevent": "DRIVER=quayside-lan\n",  # a port of hardware, no bridge or tunnel
            f"{at}/address": f"{port.address}\n",
            f"{at}/mtu": "1500\n",
            f"{at}/flags": "0x1003\n" if port.enabled else "0x1002\n",
            f"{at}/operstate": lambda: "up\n" if self.up else "down\n",
            f"{at}/carrier": (lambda: f"{int(self.up)}\n") if port.enabled else off,
            f"{at}/speed": (lambda: f"{port.speed}\n" if self.up else "-1\n") if port.enabled else off,
            f"{at}/duplex": (lambda: f"{port.duplex}\n" if self.up else "unknown\n") if port.enabled else off,
            f"{at}/carrier_changes": changes,
            **{f"{at}/statistics/{name}": count(rate) for name, rate in counters.items()},
        }
