"""What a simulated display says of itself: one EDID block with a preferred mode and a name.

Layout: VESA E-EDID 1.4, 3.3 to 3.11; timing with reduced blanking: VESA CVT 1.2, 3.4 (both from memory; the
probe's decoder and edid-decode read it back in the tests).
"""

from __future__ import annotations

from verifier.gather.simulated.parts import Display

_HEADER = bytes((0, 255, 255, 255, 255, 255, 255, 0))
_BLANK = 160
"""Pixels of a line's blanking under CVT reduced blanking; 48 of them before the sync pulse, 32 within."""


def composed(display: Display) -> bytes:
    """128 bytes whose sum is a multiple of 256."""
    block = bytearray(_HEADER)
    block += sum((ord(c) - 64) << 5 * (2 - place) for place, c in enumerate(display.maker)).to_bytes(2, "big")
    block += display.product.to_bytes(2, "little") + (1).to_bytes(4, "little")
    block += bytes((1, 36, 1, 4))  # week 1 of 2026, EDID 1.4
    block += bytes((0xA5, 60, 34, 120, 0x06))  # digital, 8 bits, DisplayPort; 60 cm × 34 cm; gamma 2.2
    block += bytes(10) + bytes(3) + b"\x01\x01" * 8  # no chromaticity, no established or standard timings
    block += _timing(display) + _text(0xFC, display.title) + _text(0xFE, "simulated") + _text(0x10, "")
    block.append(0)  # no extension follows
    block.append(-sum(block) % 256)
    return bytes(block)


def _timing(display: Display) -> bytes:
    width, height = display.width // 8 * 8, display.height
    sync = 5 if width * 9 == height * 16 else 6  # lines of the sync pulse: 16:9, else as for 16:10
    line = (1 / display.refresh - 460e-6) / height  # seconds; at least 460 µs of each picture are blank
    blank = max(int(460e-6 / line) + 1, 3 + sync + 6)
    clock = int(display.refresh * (width + _BLANK) * (height + blank) / 250_000) * 25  # in 10 kHz
    return clock.to_bytes(2, "little") + bytes(
        (
            width & 255, _BLANK & 255, width >> 8 << 4 | _BLANK >> 8,
            height & 255, blank & 255, height >> 8 << 4 | blank >> 8,
            48, 32, 3 << 4 | sync, 0,
            597 & 255, 336 & 255, 597 >> 8 << 4 | 336 >> 8, 0, 0, 0x1A,
        )
    )  # fmt: skip


def _text(kind: int, text: str) -> bytes:
    return bytes((0, 0, 0, kind, 0)) + (f"{text}\n".ljust(13).encode() if text else bytes(13))[:13]
