"""What a link carries at the least, by the SSH connection that the unit is read over."""

from __future__ import annotations

import math
from collections.abc import AsyncIterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from verifier.errors import Absent, NotPossible
from verifier.gather.peer.words import NETWORK, Way
from verifier.gather.probes.attributes import number_of, refuse_bad_interface
from verifier.gather.probes.link import ERRORS_SEEN, NET, errors_of
from verifier.readings import Bound, Conditions, Forecast, ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host, bulk_of

MOST_SECONDS = 60.0


@dataclass(frozen=True, slots=True)
class Settings:
    interface: str
    """The unit's interface that is tested, such as eth0: the connection has to go over it."""
    direction: Literal["both", "up", "down"] = "both"
    """up: from the unit to the bench; down: to the unit; both: one after the other."""
    seconds: float = 5.0
    """Length of one transfer."""

    def __post_init__(self) -> None:
        refuse_bad_interface(self.interface)
        if not 1 <= self.seconds <= MOST_SECONDS:
            raise ValueError(f"seconds lies between 1 and {MOST_SECONDS:g}")


def _forecast(settings: Mapping[str, Any], bounds: Sequence[Bound], _: float) -> Forecast:
    """A lower bound decides no upper limit."""
    upper = [bound.reading for bound in bounds if bound.reading in _COUNTERS and bound.upper is not None]
    problem = f"{upper[0]} is told as a lower bound, which decides no upper limit" if upper else ""
    return Forecast(settings=settings, problem=problem, to_do="Give at_least alone.")


_COUNTERS: dict[Way, str] = {"up": "tx_bytes", "down": "rx_bytes"}


class OverSsh:
    declaration = ProbeDeclaration(
        name="network.over_ssh",
        title="Load over the SSH connection",
        what=(
            "For a unit that is read over SSH and runs nothing of ours: sends as much as goes over that very "
            "connection, each way, and counts frames with errors meanwhile. SSH encrypts at both ends, so the "
            "link carries at least as much as is told: a limit below it is met, one above stays undecided. Give "
            "limits well below what the link should carry. Only network.throughput measures the link itself."
        ),
        settings=Settings,
        readings=(
            *(
                ReadingDeclaration(
                    name=way,
                    kind="number",
                    unit="Mbit/s",
                    what=f"Payload carried {words}, at the least: only limits with at_least make sense.",
                    optional=True,
                )
                for way, words in (("up", "from the unit to the bench"), ("down", "to the unit"))
            ),
            ERRORS_SEEN,
        ),
        services=("files", "bulk"),
        holds=(NETWORK,),
        sources=(
            "RFC 2647, 3.7 (goodput); RFC 4253, 6 (what SSH adds to it)",
            "Linux Documentation/ABI/testing/sysfs-class-net-statistics (tx_bytes, rx_bytes and the errors)",
        ),
        example="""\
[[checks]]
id = "lan-under-load"
title = "Network port carries a load without an error"
probe = "network.over_ssh"
settings = { interface = "eth0", seconds = 10.0 }
covers = ["lan"]
needs = ["quiet-unit"]
limits = [
  { reading = "up", at_least = 40, unit = "Mbit/s", source = "judgement; the link should carry 941" },
  { reading = "down", at_least = 40, unit = "Mbit/s", source = "judgement; the link should carry 941" },
  { reading = "errors_seen", at_most = 0, source = "a sound cable damages nothing; judgement" },
]
""",
        timeout=120.0,
        forecast=_forecast,
        lasts=lambda settings: settings.seconds * (2 if settings.direction == "both" else 1),
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises Absent without such an interface; NotPossible where the connection goes over another one."""
        at, files, bulk = f"{NET}/{settings.interface}", host.files, bulk_of(host)
        if not await files.exists(f"{at}/type"):
            raise Absent(f"there is no network interface {settings.interface}")
        errors = await errors_of(files, at)
        for way, counter in _COUNTERS.items():
            if settings.direction not in ("both", way):
                continue
            before = await number_of(files, f"{at}/statistics/{counter}")
            carried = await bulk.carry(way, settings.seconds)
            after = await number_of(files, f"{at}/statistics/{counter}")
            if before is None or after is None or after - before < carried.octets:
                raise NotPossible(
                    f"{settings.interface} did not count what was carried: the connection goes another way",
                    to_do="Reach the unit by the address of the interface that is to be tested.",
                )
            yield Reading(
                name=way,
                value=_rounded_down(carried.octets * 8e-6 / carried.seconds),
                unit="Mbit/s",
                origin=f"SSH connection over {settings.interface}",
                exact=True,
                conditions=Conditions(at_least=True, remark="lower bound: SSH's own encryption takes part"),
            )
        after = await errors_of(files, at)
        if errors is not None and after is not None:
            yield Reading(name="errors_seen", value=max(0, after - errors), unit="1", origin=at, exact=True)


def _rounded_down(value: float) -> float:
    """To three digits: a bound has no more, and stays one."""
    step = 10.0 ** (math.floor(math.log10(value)) - 2)
    return round(math.floor(value / step) * step, 6)
