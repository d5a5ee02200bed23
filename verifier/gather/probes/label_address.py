"""Is the hardware address with which the unit asks for an address the one on its label?"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import AsyncIterator
from contextlib import aclosing
from dataclasses import dataclass

from verifier.errors import NotPossible
from verifier.gather.peer.pairings import valid_name
from verifier.gather.peer.words import NETWORK, far_end_of
from verifier.readings import Conditions, ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host
from verifier.steps import Ask, Cue

_LONGEST = 60.0
_ON_A_LABEL = r"[0-9A-Fa-f]{2}([-:. ]?[0-9A-Fa-f]{2}){5}"


@dataclass(frozen=True, slots=True)
class LabelSettings:
    peer: str = "bench"
    """Name under which the station is paired with the far end."""
    seconds: float = 30.0
    """How long the far end listens once the plug goes in, in seconds; a unit that starts takes longer to ask."""
    label: str = ""
    """Where the address stands, as the technician knows it, such as "the label at port 5"."""

    def __post_init__(self) -> None:
        valid_name(self.peer)
        if not 1 <= self.seconds <= _LONGEST:
            raise ValueError(f"seconds lies between 1 and {_LONGEST:g}")
        if not (self.label.isprintable() and len(self.label) <= 100):
            raise ValueError("label is a short printable text")


class LabelAddress:
    declaration = ProbeDeclaration(
        name="peer.label_address",
        title="Hardware address against the label",
        what=(
            "Has the technician scan the hardware address on the label, then listens at the far end while the "
            "plug goes in, and tells whether the computer that asked for an address there has just this one. "
            "After a board was exchanged the label may be the old board's."
        ),
        settings=LabelSettings,
        readings=(
            ReadingDeclaration(
                name="label", kind="text", what="The address on the label, such as 02:00:5e:10:00:01."
            ),
            ReadingDeclaration(name="senders", kind="number", unit="1", what="Different computers that asked."),
            ReadingDeclaration(name="heard", kind="text", what="Who asked most often."),
            ReadingDeclaration(
                name="agrees",
                kind="yes-no",
                what="Whether exactly one computer asked, and it has the label's address.",
            ),
        ),
        services=("net",),
        privileges=("CAP_NET_RAW at the far end; without it nothing is heard and the check is not run",),
        sources=("RFC 826 (ARP request)", "RFC 2131, figure 1 and section 4.1 (DHCP)", "Linux packet(7)"),
        example="""\
[[checks]]
id = "lan-label"
title = "Hardware address is the label's"
probe = "peer.label_address"
settings = { peer = "bench", label = "the label at port 5" }
covers = ["lan"]
timeout = "3 min"
limits = [{ reading = "agrees", is = true, source = "service document: the label follows the board" }]
""",
        cues=True,
        holds=(NETWORK,),
        lasts=lambda settings: settings.seconds,
        timeout=120.0,
    )

    async def take(self, host: Host, settings: LabelSettings) -> AsyncIterator[Reading | Cue | Ask]:
        """Raises NotPossible when the far end may not listen, or nobody asked; BenchFault when it breaks off."""
        async with aclosing(await far_end_of(host, settings.peer)) as far_end:
            where = settings.label or "the unit's label"
            ask = Ask(
                say=f"Scan or type the hardware address on {where}.",
                pattern=_ON_A_LABEL,
                hint="six pairs of digits 0 to 9 and letters A to F",
                about="hardware address",
            )
            yield ask
            label = written(ask.answer)
            yield Reading(name="label", value=label, origin="answer of the technician", exact=True)
            yield Cue(say="Now pull the network plug, wait three seconds and put it in again.", act="move")
            heard = await far_end.address_requests(settings.seconds)
            origin = far_end.where
        senders = Counter(one.hardware for one in heard)
        yield Reading(name="senders", value=len(senders), unit="1", origin=origin, exact=True)
        if not senders:
            raise NotPossible(
                f"nobody asked for an address within {settings.seconds:g} s: nothing says which one the unit has",
                to_do="Is the unit on, and its link up? Where it takes longer to ask, give more seconds.",
            )
        ((asked, _),) = senders.most_common(1)
        yield Reading(name="heard", value=asked, origin=origin, exact=True)
        agrees = senders.keys() == {label}
        others = f" and {len(senders) - 1} more" if len(senders) > 1 else ""
        remark = "" if agrees else f"the label says {label}, but {asked}{others} asked"
        yield Reading(name="agrees", value=agrees, origin=origin, exact=True, conditions=Conditions(remark=remark))


def written(address: str) -> str:
    """An address as it is written here, however a label writes it: 02-00-5E-10-00-01 is 02:00:5e:10:00:01."""
    digits = re.sub(r"[^0-9a-f]", "", address.lower())
    return ":".join(digits[at : at + 2] for at in range(0, 12, 2))
