"""Text as a code that a camera reads and people do not, drawn on a terminal."""

from __future__ import annotations

import os
import shutil
import sys
from itertools import zip_longest

from verifier.errors import NotPossible

DARK_ON_LIGHT, AS_BEFORE = "\x1b[30;47m", "\x1b[0m"
"""Whatever colours the terminal has: readers want dark on light (ECMA-48, SGR)."""
QUIET = 4
"""Modules of light about the code (ISO/IEC 18004)."""
BELOW = 6
"""Lines of the question that stands below it."""
_HALVES = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}
"""Characters are twice as high as wide: each holds two modules, one above the other; True is dark."""


def drawn(text: str) -> str:
    """A QR code of the text. NotPossible where the terminal cannot show it whole."""
    import segno

    code = segno.make(text, error="m", micro=False)
    rows = [[bool(module) for module in row] for row in code.matrix_iter(border=QUIET)]
    side = len(rows)
    columns, lines = shutil.get_terminal_size()
    needed = (side + 1) // 2 + BELOW
    if columns < side or lines < needed:
        raise NotPossible(f"the terminal is too small for the code: it takes {side} columns and {needed} lines")
    if os.environ.get("TERM") == "dumb":
        raise NotPossible("the terminal cannot draw the code: that takes colours")
    try:
        "".join(_HALVES.values()).encode(sys.stdout.encoding or "ascii")
    except UnicodeEncodeError:
        raise NotPossible("the terminal cannot draw the code: that takes UTF-8") from None
    pairs = zip_longest(rows[::2], rows[1::2], fillvalue=[False] * side)
    halves = ("".join(_HALVES[pair] for pair in zip(above, below, strict=True)) for above, below in pairs)
    return "\n".join(f"{DARK_ON_LIGHT}{line}{AS_BEFORE}" for line in halves)
