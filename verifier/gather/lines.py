"""Serial lines of a host (service `serial`): the host's own, opened where the host is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol, runtime_checkable

from verifier.errors import NotPossible
from verifier.services import Host, SerialLine

Pair = Literal["rts_cts", "dtr_dsr", "dtr_dcd", "dtr_ri"]
"""An output and the input that a loop-back plug wires it to (TIA-232-F names)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LineSettings:
    """As both ends have to agree on: 8 data bits."""

    baud: int = 115_200
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    flow: Literal["none", "rts-cts"] = "none"


class TestableLine(SerialLine, Protocol):
    """An open line with whatever modem lines it has."""

    async def modem_pairs(self, settle: float) -> dict[Pair, bool]:
        """Whether each input followed its output both ways. NotPossible where the adapter has none."""
        ...


class SerialLines(Protocol):
    """The serial lines of a host."""

    async def open(self, name: str, settings: LineSettings) -> TestableLine:
        """Absent where there is none of that name; NotPossible where it may not be used or not be set so."""
        ...


@runtime_checkable
class OffersSerialLines(Protocol):
    """A host whose serial lines can be tested."""

    @property
    def serial_lines(self) -> SerialLines: ...


def serial_lines_of(host: Host) -> SerialLines:
    """The serial lines of a host; NotPossible where it does not offer them."""
    if "serial" in host.services and isinstance(host, OffersSerialLines):
        return host.serial_lines
    raise NotPossible(f"{host.address} offers no serial line that can be tested")
