"""What a host's input devices can say: which keys and switches each has, from sysfs. Shared by probes.

Source: Linux drivers/input/input.c, input_print_bitmap: the bits of a kind as hexadecimal words of the
kernel's own word size, the highest first, leading zero words left out.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from verifier.errors import VerifierError
from verifier.gather.probes.attributes import names_in, text_of
from verifier.services import Files, Host

INPUT = "/sys/class/input"
DEVICES_LIMIT = 512
_MOST_64_BIT_WORDS = 12
"""KEY_MAX is 0x2ff: 768 bits (include/uapi/linux/input-event-codes.h)."""


_BITMAPS = ("capabilities/key", "capabilities/sw", "capabilities/abs", "properties")
_DIRECT = 1
"""INPUT_PROP_DIRECT in include/uapi/linux/input-event-codes.h."""


@dataclass(frozen=True, slots=True)
class InputDevice:
    name: str
    """What the device calls itself."""
    at: str
    event: str
    """Its event device, such as event3; empty where it has none."""
    keys: frozenset[int]
    switches: frozenset[int]
    bus: str
    """What it is connected by, four hexadecimal digits of include/uapi/linux/input.h; empty where unknown."""
    axes: frozenset[int] = frozenset()
    direct: bool = False
    """Whether it lies on a screen (INPUT_PROP_DIRECT), as a touch screen does and a touch pad does not."""


async def input_devices(host: Host) -> list[InputDevice]:
    files = host.files
    names = [n for n in await names_in(files, INPUT) if re.fullmatch(r"input\d{1,6}", n)][:DEVICES_LIMIT]
    maps = {n: [await _words(files, f"{INPUT}/{n}/{file}") for file in _BITMAPS] for n in names}
    size = await _word_size(host, [words for several in maps.values() for words in several])
    found = []
    for name, bitmaps in maps.items():
        at = f"{INPUT}/{name}"
        events = [n for n in await names_in(files, at) if re.fullmatch(r"event\d{1,6}", n)]
        bus = await text_of(files, f"{at}/id/bustype") or ""
        called = await text_of(files, f"{at}/name") or name
        keys, switches, axes, properties = (bits(words, size) for words in bitmaps)
        event = events[0] if events else ""
        found.append(InputDevice(called, at, event, keys, switches, bus, axes, _DIRECT in properties))
    return found


def bits(words: list[str], size: int) -> frozenset[int]:
    """Numbers of the bits that are set in words of `size` bits, the highest word first."""
    return frozenset(
        place * size + bit
        for place, word in enumerate(reversed(words))
        for bit in range(size)
        if int(word, 16) >> bit & 1
    )


async def _words(files: Files, path: str) -> list[str]:
    words = (await text_of(files, path) or "").split()
    return words if all(re.fullmatch(r"[0-9a-fA-F]{1,16}", w) for w in words) and len(words) <= 24 else []


async def _word_size(host: Host, maps: list[list[str]]) -> int:
    """32 or 64. The same text means other keys on each: 100000 0 0 0 is the power key or a camera's shutter."""
    if any(len(word) > 8 for words in maps for word in words):
        return 64
    if any(len(words) > _MOST_64_BIT_WORDS for words in maps):
        return 32
    machine = await text_of(host.files, "/proc/sys/kernel/arch")
    if machine is None and any(len(words) > 1 for words in maps):
        try:
            machine = (await host.commands.run("uname", "-m")).stdout.strip()
        except VerifierError:
            machine = None
    return 32 if re.fullmatch(r"i[3-6]86|arm(?!64).*|mips(el)?|ppc|riscv32|m68k", machine or "") else 64
