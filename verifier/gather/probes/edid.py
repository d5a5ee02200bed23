"""What a display says of itself: EDID, a base block of 128 bytes and its extensions.

Only what a repaired port can be judged by is read. Whether the data came through whole is decided by header,
length, block sums and extension count alone: most real displays break some finer rule of the standard and
work all the same. Source of every offset: VESA E-EDID Standard, Release A2 (EDID 1.4), the section named.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

BLOCK = 128
"""Bytes of a block (E-EDID, 2)."""
LONGEST = 256 * BLOCK
"""A base block and as many extensions as its one count byte can name."""
HEADER = bytes.fromhex("00ffffffffffff00")
"""Bytes 0 to 7 (E-EDID, 3.3)."""
_NAME_TAG = 0xFC
"""Display descriptor that holds the product name (E-EDID, 3.10.3.4)."""
_CTA, _CTA_EXTENDED, _MORE_BLOCKS = 0x02, 7, 0x78
"""CTA-861 extension, its extended data blocks, and the one that names a larger extension count."""


@dataclass(frozen=True, slots=True)
class Mode:
    """A detailed timing (E-EDID, 3.10.2)."""

    width: int
    """Active pixels of a line."""
    height: int
    """Active lines of a frame, or of a field where interlaced."""
    refresh: float
    """Frames (interlaced: fields) a second, in Hz: pixel clock / (whole line × whole frame)."""
    interlaced: bool


@dataclass(frozen=True, slots=True)
class Edid:
    fault: str
    """What is wrong with header, length, block sums or extension count; empty where nothing is."""
    extensions: int | None = None
    """Extension count of the base block; None where there is no whole base block."""
    maker: str = ""
    """Three letters of the maker's registered id; empty where they are no letters."""
    product: int | None = None
    """Product code that the maker chose."""
    serial: int | None = None
    """Serial number as a number; None where it is 0, which means that it is not given."""
    year: int | None = None
    """Year of manufacture, or the model year."""
    version: str = ""
    name: str = ""
    preferred: Mode | None = None
    """The first detailed timing."""

    @property
    def valid(self) -> bool:
        return not self.fault


def decode(data: bytes) -> Edid:
    """Read EDID bytes. Never raises: what cannot be read is left out, and `fault` says why."""
    fault = _fault(data)
    if len(data) < BLOCK or data[:8] != HEADER:
        return Edid(fault)
    week, year = data[16], data[17] + 1990
    return Edid(
        fault,
        extensions=data[126],
        maker=_letters(data[8] << 8 | data[9]),
        product=int.from_bytes(data[10:12], "little"),
        serial=int.from_bytes(data[12:16], "little") or None,
        year=year if week == 0xFF or year > 1990 else None,
        version=f"{data[18]}.{data[19]}",
        name=next(filter(None, map(_name, _descriptors(data))), ""),
        preferred=_mode(data[54:72]),
    )


def _fault(data: bytes) -> str:
    """Header (3.3), length and extension count (2.1), block sums (3.11): in words, the first that is wrong."""
    if not data:
        return "the display gave no EDID"
    if len(data) < BLOCK:
        return f"the EDID is cut short: {len(data)} bytes of {BLOCK}"
    if data[:8] != HEADER:
        return "the EDID does not begin with its fixed header"
    blocks, rest = divmod(len(data), BLOCK)
    if rest:
        return f"the EDID is cut short: {len(data)} bytes are no whole blocks of {BLOCK}"
    for number in range(blocks):
        if sum(data[number * BLOCK : (number + 1) * BLOCK]) % 256:
            return f"the sum over block {number} of the EDID is wrong"
    if blocks - 1 not in (data[126], _overridden(data)):
        return f"the EDID announces {data[126]} extensions and has {blocks - 1}"
    return ""


def _overridden(data: bytes) -> int:
    """Extensions named by an override data block, which HDMI displays with more than one use; or -1.

    It stands first in a CTA-861 extension that is block 1 (Linux drivers/gpu/drm/drm_edid.c,
    edid_hfeeodb_extension_block_count; from memory).
    """
    block = data[BLOCK : 2 * BLOCK]
    if len(block) == BLOCK and block[0] == _CTA and block[2] >= 7 and block[4] >> 5 == _CTA_EXTENDED:
        length = block[4] & 0x1F
        if length >= 2 and block[5] == _MORE_BLOCKS:
            return block[6]
    return -1


def _letters(word: int) -> str:
    """Three letters of five bits each, 1 for A (E-EDID, 3.4.1)."""
    codes = (word >> 10 & 31, word >> 5 & 31, word & 31)
    return "".join(chr(64 + c) for c in codes) if all(1 <= c <= 26 for c in codes) else ""


def _descriptors(data: bytes) -> list[bytes]:
    return [data[at : at + 18] for at in (54, 72, 90, 108)]


def _name(descriptor: bytes) -> str:
    """The product name: 13 characters, ended by a line feed and filled with blanks (E-EDID, 3.10.3.4)."""
    if descriptor[:3] != b"\0\0\0" or descriptor[3] != _NAME_TAG:
        return ""
    text = descriptor[5:18].split(b"\n")[0].decode("latin-1")
    return re.sub(r"[^\x20-\x7e]", " ", text).strip()


def _mode(timing: bytes) -> Mode | None:
    """A detailed timing: pixel clock in steps of 10 kHz, 0 for another kind of descriptor."""
    clock = int.from_bytes(timing[:2], "little") * 10_000
    width, line_blank = timing[2] | (timing[4] & 0xF0) << 4, timing[3] | (timing[4] & 0x0F) << 8
    height, frame_blank = timing[5] | (timing[7] & 0xF0) << 4, timing[6] | (timing[7] & 0x0F) << 8
    if not (clock and width and height):
        return None
    return Mode(
        width=width,
        height=height,
        refresh=clock / ((width + line_blank) * (height + frame_blank)),
        interlaced=bool(timing[17] & 0x80),
    )
