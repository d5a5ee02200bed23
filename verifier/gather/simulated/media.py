"""The test media in a simulated unit's USB sockets: where they are mounted, and what comes of a round trip."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from verifier.errors import NotPossible
from verifier.gather.simulated.chance import chance
from verifier.gather.simulated.files import Content
from verifier.gather.simulated.parts import Usb
from verifier.gather.simulated.sockets import USB
from verifier.services import Clocks, RoundTrip

BLOCKS, DEVICES, MOUNTS = "/sys/class/block", "/sys/devices/usb", "/proc/self/mountinfo"
FAST, SLOW = (180e6, 320e6), (28e6, 34e6)
"""Bytes a second of writing and of reading, with the fast pairs and without (invented)."""


class SimulatedMedia:
    """Serves as the service `media`.

    A medium has a block device for each of the two paths at which it may turn up: one of them is there at a time.
    """

    def __init__(
        self, sockets: Mapping[str, Usb], gone: Mapping[str, Callable[[], bool]], seed: int, clocks: Clocks
    ) -> None:
        """`gone` tells of the folder of each USB path whether no device is there now."""
        self._seed, self._clocks = seed, clocks
        places = [
            (label, socket, path) for label, socket in sockets.items() if socket.medium
            for path in (socket.fast, socket.slow)
        ]  # fmt: skip
        self._at = {(8, 16 * number): place for number, place in enumerate(places)}
        self._gone = {number: gone[f"{USB}/{path}"] for number, (_, _, path) in self._at.items()}

    def contents(self) -> tuple[dict[str, Content], dict[str, str], dict[str, Callable[[], bool]]]:
        """Files, links, and what may be gone (Linux Documentation/ABI/stable/sysfs-block)."""
        if not self._at:
            return {}, {}, {}
        files, links, gone = dict[str, Content](), dict[str, str](), dict[str, Callable[[], bool]]()
        for (major, minor), (_, _, path) in self._at.items():
            name = f"sd{chr(ord('a') + minor // 16)}"
            at = f"{DEVICES}/{path}/block/{name}"
            files[f"{at}/dev"] = f"{major}:{minor}\n"
            links[f"{BLOCKS}/{name}"] = at
            gone[at] = self._gone[major, minor]
        return files | {MOUNTS: self._mounts}, links, gone

    def _mounts(self) -> str:
        """proc(5), mountinfo: what is mounted as a whole, each at a folder named after its socket."""
        return "".join(
            f"{40 + minor // 16} 1 {major}:{minor} / {_mount(label)} rw - vfat /dev/sd rw\n"
            for (major, minor), (label, _, _) in self._at.items()
            if not self._gone[major, minor]()
        )

    async def round_trip(self, mount: str, device: tuple[int, int], size: int, seed: int) -> RoundTrip:
        label, socket, path = self._at.get(device, (None, None, ""))
        if label is None or socket is None or mount != _mount(label) or self._gone[device]():
            raise NotPossible(f"{mount[:100]} is not on that device")
        source = chance(self._seed, "medium", label, f"{self._clocks.boot():.6f}")
        # Both ways; what the port's own repeats do not mend breaks off the transfer.
        if source.random() < 1 - math.exp(-socket.errors_per_gigabyte * 2 * size / 1e9):
            return RoundTrip(medium=socket.medium, fault="Input/output error (EIO)")
        writes, reads = (
            size / rate * source.uniform(1.0, 1.1) for rate in (FAST if path == socket.fast else SLOW)
        )
        await self._clocks.sleep(writes + reads)
        return RoundTrip(
            medium=socket.medium, identical=True, write_seconds=writes, read_seconds=reads, past_cache=True
        )


def _mount(label: str) -> str:
    return f"/media/test-{label}"
