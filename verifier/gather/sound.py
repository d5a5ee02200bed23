"""Sound of a host (service `sound`): its own outputs and inputs, played and recorded where the host is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, runtime_checkable

from verifier.errors import NotPossible
from verifier.services import Host

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Frames = NDArray[np.float64]
    """Frames by channels; digital full scale is ±1."""

SOUND = "sound"
"""The service, and the resource of whoever plays or records."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """What came in while something was played."""

    frames: Frames
    """As many frames as were played, by inputs; the first of both were meant to be at the same time."""
    way: str
    """Output and input as the system names them."""
    lost: bool = False
    """Whether the system said that it lost or made up samples on the way: then nothing can be read from it."""


class Sound(Protocol):
    """Outputs and inputs by part of their name; the system's usual ones where that is empty.

    Absent where there is none such, NotPossible where it cannot be used so, BenchFault where it broke off.
    """

    async def play(self, frames: Frames, rate: int, output: str) -> str:
        """Play to the end; the output's name."""
        ...

    async def play_and_record(self, frames: Frames, rate: int, names: tuple[str, str], inputs: int) -> Recording:
        """Play, and record so many channels meanwhile; `names` are those of the output and the input."""
        ...


@runtime_checkable
class OffersSound(Protocol):
    """A host with the service `sound`."""

    @property
    def sound(self) -> Sound: ...


def sound_of(host: Host) -> Sound:
    """The sound of a host; NotPossible where it does not offer any."""
    if SOUND in host.services and isinstance(host, OffersSound):
        return host.sound
    raise NotPossible(f"{host.address} offers no sound to play or record")
