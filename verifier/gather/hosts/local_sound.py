"""The sound of this computer, through the sounddevice library (extra `audio`) and PortAudio.

Its calls wait in a thread. Playing and recording are one stream, so that both count by the same clock where the
card has only one.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeVar

import anyio.to_thread

from verifier.errors import Absent, BenchFault, NotPossible
from verifier.gather.sound import Recording
from verifier.services import Clocks

if TYPE_CHECKING:
    from verifier.gather.sound import Frames

T = TypeVar("T")
CARDS = Path("/proc/asound/cards")
LATENCY = 0.3
"""Seconds of buffer that are asked for: a busy computer must not break off."""
SLACK = 10.0
"""Seconds that a stream may take longer than its own length."""
EARLY = 0.5
"""Seconds that a sound may seem to be over too soon: the last of it waits in buffers."""
STOPPING = 2.0
"""Seconds that are given to the stopping of a stream that hangs."""


class LocalSound:
    def __init__(self, clocks: Clocks) -> None:
        self._clocks = clocks

    async def play(self, frames: Frames, rate: int, output: str) -> str:
        device = _library()
        played = _chosen(device, output, "output", frames.shape[1])

        def work() -> Any:
            device.play(frames.astype("float32"), rate, device=played["index"], latency=LATENCY)
            return device.wait()

        began = self._clocks.loop()
        told = await _waited(device, work, len(frames) / rate)
        if (told and told.output_underflow) or self._clocks.loop() - began < len(frames) / rate - EARLY:
            raise BenchFault(
                "sound was lost between this computer and its card", to_do="Let nothing else run meanwhile."
            )
        return str(played["name"])

    async def play_and_record(self, frames: Frames, rate: int, names: tuple[str, str], inputs: int) -> Recording:
        device = _library()
        played = _chosen(device, names[0], "output", frames.shape[1])
        heard = _chosen(device, names[1], "input", inputs)

        import numpy as np

        # A stream that breaks off ends without an error, and leaves alone what it had not filled yet.
        recorded = np.full((len(frames), inputs), np.nan, "float32")

        def work() -> Any:
            device.playrec(
                frames.astype("float32"),
                rate,
                out=recorded,
                device=(heard["index"], played["index"]),
                latency=LATENCY,
            )
            return device.wait()

        began = self._clocks.loop()
        told = await _waited(device, work, len(frames) / rate)
        # An input that had nothing yet when the stream began is told too, and means nothing. A card that is
        # done before the sound can be over has dropped some of it without a word.
        hurried = self._clocks.loop() - began < len(frames) / rate
        unfilled = bool(np.isnan(recorded).any())
        lost = hurried or unfilled or bool(told and (told.input_overflow or told.output_underflow))
        return Recording(
            frames=recorded.astype("float64"), way=f"{played['name']} to {heard['name']}, {rate} Hz", lost=lost
        )


def _library() -> Any:
    try:
        import sounddevice
    except ImportError:
        raise NotPossible(
            "sound needs the extra audio: install verifier with [audio], and on Debian the package libportaudio2"
        ) from None
    except OSError as error:  # the library behind it
        raise NotPossible(f"sound needs PortAudio, on Debian the package libportaudio2: {error}") from None
    return sounddevice


def _has_card() -> bool:
    """Whether the kernel knows a card (Linux Documentation/sound/designs/procfile.rst)."""
    try:
        return re.search(r"^ *\d+ \[", CARDS.read_text("utf-8", "replace"), re.MULTILINE) is not None
    except OSError:
        return False


def _chosen(device: Any, name: str, kind: Literal["output", "input"], channels: int) -> dict[str, Any]:
    """The device of that name, or the usual one."""
    there = [d for d in device.query_devices() if d[f"max_{kind}_channels"] > 0]
    if not there and _has_card():
        raise NotPossible(
            f"this account sees no sound {kind}, although there is a card: on Debian it needs the group audio"
        )
    if not there:
        raise Absent(f"this computer has no sound {kind}")
    known = ", ".join(str(d["name"]) for d in there)[:300]
    fitting = [d for d in there if name.casefold() in str(d["name"]).casefold()]
    exact = [d for d in fitting if d["name"] == name]
    if not name:
        usual = device.default.device[kind == "output"]
        fitting = [d for d in there if d["index"] == usual] or there
    elif not fitting:
        raise Absent(f"there is no sound {kind} {name[:100]!r}; there are {known}")
    if len(exact or fitting) > 1:
        raise NotPossible(f"several sound {kind}s fit {name[:100]!r}: name one of {known} in the check's settings")
    chosen: dict[str, Any] = (exact or fitting)[0]
    if chosen[f"max_{kind}_channels"] < channels:
        raise NotPossible(
            f"the sound {kind} {chosen['name']} has {chosen[f'max_{kind}_channels']} channels, not {channels}"
        )
    return chosen


async def _waited(device: Any, work: Callable[[], T], seconds: float) -> T:
    try:
        with anyio.fail_after(seconds + SLACK):
            return await anyio.to_thread.run_sync(work, abandon_on_cancel=True)
    except TimeoutError:
        # Whatever holds the card may hold this too: it is not waited for.
        with anyio.move_on_after(STOPPING):
            await anyio.to_thread.run_sync(device.stop, abandon_on_cancel=True)
        raise BenchFault(
            f"sound card or sound server hang: {seconds:.3g} s of sound were not over {SLACK:g} s late"
        ) from None
    except device.PortAudioError as error:
        said = " ".join(str(error).split())[:200]
        if "sample rate" in said.casefold() or "channels" in said.casefold():
            raise NotPossible(f"the sound card cannot be used so: {said}") from None
        if "unavailable" in said.casefold():
            raise NotPossible(f"another program has the sound card: {said}") from None
        raise BenchFault(f"playing or recording broke off: {said}") from None
