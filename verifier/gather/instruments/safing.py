"""Commanding the safe state over an open line: as little as can do it, since the watchdog does it alone.

Plain data in, no models, so that the watchdog starts fast and depends on nothing that can be missing.
"""

from __future__ import annotations

from contextlib import suppress
from typing import Any

from verifier.gather.instruments.line import LineFault, OpenLine
from verifier.gather.instruments.replies import BadReply, shown, text_of

TRIES = 5
"""Times that the messages are sent before one instrument is given up for now."""
QUIET = 0.02
"""Seconds without a byte after which a line counts as silent."""


def programme_of(instrument: dict[str, Any], name: str) -> dict[str, Any] | None:
    """What it takes to make one instrument safe: its port and line, the messages, and how to see that it is."""
    safe = instrument.get("safe")
    if not safe:
        return None
    return {
        "name": name,
        "port": instrument["port"],
        "line": instrument["line"],
        "messages": list(safe["messages"]),
        "ask": safe["ask"],
        "is_safe": safe["is_safe"],
        "acknowledge": instrument["acknowledge"],
        "echo": instrument["line"]["echo"],
    }


def make_safe(line: OpenLine, programme: dict[str, Any]) -> None:
    """Send the safe messages until the instrument says that it is safe. LineFault when it never does."""
    last = "it did not confirm"
    for _ in range(TRIES):
        try:
            # Half a message of a killed process may stand on the line; its end makes it a message of its own.
            line.end_message()
            for message in programme["messages"]:
                line.send(message)
            line.wait(programme["line"]["pause"])
            line.drain(QUIET)
            line.send(programme["ask"])
            said = _answer(line, programme)
            if said == programme["is_safe"]:
                return
            last = f"it says {shown(said.encode())} instead of {programme['is_safe']!r}"
        except (LineFault, BadReply) as error:
            last = str(error)
    raise LineFault(last)


def _answer(line: OpenLine, programme: dict[str, Any]) -> str:
    timeout = min(2.0, programme["line"]["timeout"])
    said = text_of(line.receive(timeout))
    # What it answers to the messages before, and its echo, may come first.
    for _ in range(len(programme["messages"]) + 3):
        if said not in ("", programme["acknowledge"], programme["ask"], *programme["messages"]):
            return said
        said = text_of(line.receive(timeout))
    return said


def make_safe_at(programme: dict[str, Any]) -> str:
    """Open the port, make safe, close it: what is wrong, or an empty text when the instrument says it is safe."""
    line = None
    try:
        line = OpenLine(programme["port"], programme["line"])
        make_safe(line, programme)
    except Exception as error:  # whatever it is, the next instrument is to be made safe too
        return str(error) or type(error).__name__
    finally:
        if line is not None:
            with suppress(Exception):
                line.close()
    return ""
