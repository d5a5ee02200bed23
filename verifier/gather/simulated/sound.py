"""The sound of a simulated unit with the bench's loop-back plug in its socket: what is played comes back."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verifier.errors import Absent
from verifier.gather.simulated.chance import chance
from verifier.gather.simulated.parts import Sound
from verifier.gather.sound import Recording
from verifier.services import Clocks

if TYPE_CHECKING:
    from verifier.gather.sound import Frames

DELAY = 0.012
"""Seconds from the output to the input."""


class SimulatedSound:
    """Serves as the service `sound`."""

    def __init__(self, made_of: Sound, seed: int, clocks: Clocks) -> None:
        self._made_of, self._seed, self._clocks = made_of, seed, clocks

    async def play(self, frames: Frames, rate: int, output: str) -> str:
        if not self._made_of.outputs:
            raise Absent("the simulated unit has no sound output")
        await self._clocks.sleep(len(frames) / rate)
        return self._made_of.title

    async def play_and_record(self, frames: Frames, rate: int, names: tuple[str, str], inputs: int) -> Recording:
        """Left and right come back on their own inputs, or exchanged; a mono input hears half of both."""
        import numpy as np

        made_of = self._made_of
        if not (made_of.outputs and made_of.inputs):
            raise Absent("the simulated unit has no sound output or no input")
        await self._clocks.sleep(len(frames) / rate)
        played = frames if frames.shape[1] > 1 else np.repeat(frames, 2, axis=1)
        left, right = played[:, 0] * made_of.left, played[:, 1] * made_of.right
        if made_of.swapped:
            left, right = right, left
        one, other = left + made_of.crosstalk * right, right + made_of.crosstalk * left
        heard = np.stack((one, other), axis=1) if inputs > 1 else ((one + other) / 2)[:, None]
        # Third harmonic of a soft limit: x - d x³.
        heard = made_of.microphone * (heard - made_of.distortion * heard**3)
        late = round(DELAY * rate)
        heard = np.concatenate((np.zeros((late, heard.shape[1])), heard[: len(heard) - late]))
        source = np.random.default_rng(chance(self._seed, "sound", f"{self._clocks.boot():.3f}").getrandbits(32))
        hum = made_of.hum * np.sin(2 * np.pi * 50 * np.arange(len(heard)) / rate)[:, None]
        noise = source.normal(0.0, made_of.noise, heard.shape)
        return Recording(frames=heard + hum + noise, way=f"{made_of.title} to {made_of.title}")
