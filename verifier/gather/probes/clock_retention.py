"""Does the unit's clock keep its time while all power is away? Read before, then the run pauses, then read again.

1. What counts is how the clock stands to the reference, before and after. Nobody's system time is used: it may be
   wrong, set in between, or from before the pause.
2. All that the second part needs of the first stands in its readings, since another process goes on, maybe on
   another start of this computer.
3. Whether power was away, and how long, the technician says; no unit can. What it says of its own start is held
   against that: no longer than since the first reading, less what it has been up for.
4. A clock that the unit's own system has set since its start shows nothing of its cell. What the kernel found when
   it started counts then; where that cannot be read, nothing is claimed.
"""

from __future__ import annotations

import re
from collections.abc import AsyncIterator, Sequence
from dataclasses import replace

from verifier.errors import BenchFault, NotPossible, Refused
from verifier.gather.probes.backup_cell import CELL_CAUTIONS
from verifier.gather.probes.retention_plan import RetentionSettings, forecast
from verifier.gather.timekeeping.crystal import from_room
from verifier.gather.timekeeping.dwell import PPM, words
from verifier.gather.timekeeping.evidence import (
    BOOT_ID,
    flag_words,
    found_at_start,
    refuse_battery,
    set_by_system,
    started,
    uptime,
)
from verifier.gather.timekeeping.looking import Look, clock_shown, look_at, read_back, written
from verifier.gather.timekeeping.references import true_time
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration, SoFar
from verifier.services import Fix, Host
from verifier.steps import POWER_AWAY, Ask, Consult, Pause, Step

_DURATION = r"\d{1,7}(\.\d{1,2})? ?(s|min|h)?"
_STARTS = (0.0, 315_532_800.0, 946_684_800.0, 978_307_200.0, 1_230_768_000.0, 1_262_304_000.0)
"""1970, 1980, 2000, 2001, 2009, 2010: where clocks begin that have lost their time; common practice, no source."""


STARTING, AGAIN = 40.0, 2.0
"""Seconds for which a unit that answers and tells no time is asked again, since it may still be starting; between
two of them. Common practice, no source."""


class Retention:
    declaration = ProbeDeclaration(
        name="clock.retention",
        title="Clock keeps its time without power",
        what=(
            "Reads the unit's clock against a reference at a second's edge, lets the run pause while all power is "
            "away, and reads it again after `verifier resume`: whether the time was kept, by how much it changed, "
            "and the rate. The dwell is longer than the clock holds up without its cell; where limits on the rate "
            "are given, it is planned so that they can be decided, and said before anybody waits. Over SSH and on "
            "this computer it needs the unit's time service stopped for a rate: else the system sets the clock."
        ),
        settings=RetentionSettings,
        readings=(
            ReadingDeclaration(name="before", kind="text", what="True time of the first reading, in UTC."),
            ReadingDeclaration(
                name="started", kind="text", what="Which start of the unit that was.", optional=True
            ),
            ReadingDeclaration(
                name="disciplined",
                kind="yes-no",
                what="Whether the unit's own system kept its clock right before.",
                optional=True,
            ),
            ReadingDeclaration(
                name="set_by_system",
                kind="yes-no",
                what="Whether the unit's own system may have set the clock meanwhile: there is then no rate.",
                optional=True,
            ),
            ReadingDeclaration(
                name="ahead_before",
                kind="number",
                unit="s",
                what="How far the clock was ahead before; negative when behind.",
                optional=True,
            ),
            ReadingDeclaration(
                name="warm_before", kind="number", unit="Cel", what="Thermometer before.", optional=True
            ),
            ReadingDeclaration(name="kept", kind="yes-no", what="Whether it kept its time."),
            ReadingDeclaration(name="how", kind="text", what="How it kept or lost it."),
            ReadingDeclaration(
                name="away", kind="number", unit="s", what="How long all power was away.", optional=True
            ),
            ReadingDeclaration(
                name="elapsed",
                kind="number",
                unit="s",
                what="Between the readings, by the reference.",
                optional=True,
            ),
            ReadingDeclaration(
                name="ahead", kind="number", unit="s", what="How far it is ahead afterwards.", optional=True
            ),
            ReadingDeclaration(
                name="change", kind="number", unit="s", what="By how much that changed.", optional=True
            ),
            ReadingDeclaration(
                name="rate",
                kind="number",
                unit="[ppm]",
                what="Change over elapsed; fast is positive.",
                optional=True,
            ),
            ReadingDeclaration(
                name="rate_25", kind="number", unit="[ppm]", what="The rate corrected to 25 °C.", optional=True
            ),
        ),
        services=("reference",),
        sources=(
            "Linux Documentation/ABI/testing/sysfs-class-rtc (since_epoch); drivers/rtc/class.c (hctosys message)",
            "RFC 5905, section 8 (on-wire arithmetic)",
            "JCGM 100:2008, 4.3.7 and 5.1.2; MAX6902 data sheet, p. 14 (the crystal's parabola)",
        ),
        example="""\
[[checks]]
id = "clock-keeps"
title = "Clock keeps its time on its cell"
probe = "clock.retention"
settings = { reference = "network", server = "time.bench.example", holds_up = 40.0 }
covers = ["cell-lead"]
limits = [
  { reading = "kept", is = true, source = "maker" },
  { reading = "rate", at_least = -20, at_most = 20, unit = "ppm", source = "maker, crystal at 25 °C" },
]
""",
        cues=True,
        pauses=True,
        consults=True,
        cautions=CELL_CAUTIONS,
        forecast=forecast,
        timeout=90.0,
    )

    async def take(self, host: Host, settings: RetentionSettings) -> AsyncIterator[Step]:
        """Raises NotPossible where a main battery feeds the clock, Absent where there is no clock."""
        if not settings.battery_out:
            await refuse_battery(host)
        fixes: list[Fix] = []
        async for step in true_time(host, settings, fixes):
            yield step
        try:
            look, origin = await _look(host, settings)
        except Refused as error:
            raise BenchFault(
                error.what, to_do="Where it has lost its time already, set its clock: else it has none to keep."
            ) from None
        if look is None:
            yield Reading(name="before", value=written(fixes[0].time), origin=fixes[0].origin, exact=True)
            yield Reading(name="kept", value=False, origin=origin, exact=True)
            how = "it showed no time, or stood still, before the power was taken away"
            yield Reading(name="how", value=how, origin=origin, exact=True)
            return
        ahead = _ahead("ahead_before", look, fixes[0], origin)
        moment = look.at - fixes[0].at + fixes[0].time
        yield Reading(name="before", value=written(moment), origin=fixes[0].origin, exact=True)
        start = await started(host)
        if start is not None:
            yield Reading(name="started", value=start, origin=BOOT_ID, exact=True)
        system = await set_by_system(host)
        if system is not None:
            yield Reading(name="disciplined", value=system, origin="the unit's system", exact=True)
        async for step in _warmth(settings, "warm_before"):
            yield step
        # Last: with it the first part is whole.
        yield ahead
        yield _pause(host, settings)

    async def go_on(self, host: Host, settings: RetentionSettings, so_far: SoFar) -> AsyncIterator[Step]:
        """Lets the run pause again where the power was not away for long enough."""
        given = {reading.name: reading for reading in so_far.readings}
        began, before = read_back(str(given["before"].value)), given["ahead_before"]
        if "started" in given and given["started"].value == await started(host):
            yield _pause(host, settings, "the unit has been on all the time")
            return
        ask = Ask(
            say="For how long was all power away from the unit? 0 where it was not.",
            pattern=_DURATION,
            hint="seconds, or 12 min, or 1.5 h",
            about=POWER_AWAY,
        )
        yield ask
        fixes: list[Fix] = []
        try:
            async for step in true_time(host, settings, fixes):
                yield step
            look, origin, instead = await _look_again(host, settings)
        except (BenchFault, NotPossible) as error:
            # A network or a unit that is not up yet costs no second power cut.
            yield _wait(error)
            return
        now = fixes[0].time + ((look.at if look else host.clocks.loop()) - fixes[0].at)
        if now <= began:
            raise BenchFault(
                f"by the reference it is {written(now)}, which is before the first reading at {written(began)}"
            )
        up = await uptime(host)
        away = min(_seconds(ask.answer), now - began - (up or 0.0))
        if away < settings.seconds * 0.98:
            yield _pause(host, settings, f"power was away for {words(max(0.0, round(away)))} only")
            return
        system = await set_by_system(host)
        start = None if up is None else await found_at_start(host, now, up)
        if system and start is None:
            raise NotPossible(
                "the unit's system keeps its clock right and may have set it since it started, so that nothing "
                "shows whether the cell kept it",
                to_do="Stop the unit's time service, or let its kernel log be read, and take the check again.",
            )
        person = "the technician's word" + (", and the unit's own start" if up is not None else "")
        yield Reading(name="away", value=float(round(away)), unit="s", origin=person, exact=True)
        yield Reading(name="elapsed", value=round(now - began, 3), unit="s", origin=fixes[0].origin, exact=True)
        if "disciplined" in given and given["disciplined"].value is True:
            system = True
        if system is not None:
            yield Reading(name="set_by_system", value=system, origin="the unit's system", exact=True)
        if look is None:
            yield Reading(name="kept", value=False, origin=origin, exact=True)
            how = f"lost: {instead}" if instead else "it shows no time, or stands still"
            yield Reading(name="how", value=how, origin=origin, exact=True)
            return
        ahead = _ahead("ahead", look, fixes[0], origin)
        change = _change(before, ahead)
        if start is None:
            shown = look.ahead + look.at
            how = _how_lost(float(change.value), settings.jump, shown, away, now - began)
        else:
            # The kernel names whole seconds. What the clock shows by now may be the system's.
            moved = start.ahead - float(before.value)
            how = _how_lost(moved, settings.jump + 1.0, start.shown, away, now - began)
        lost = how or await flag_words(host, settings.clock)
        kept = "kept" if start is None else "kept: the kernel found it so when the unit started"
        yield Reading(name="kept", value=not lost, origin=origin, exact=True)
        yield Reading(name="how", value=lost or kept, origin=origin, exact=True)
        yield ahead
        yield change
        if lost or system:
            return
        rate = _rate(change, now - began)
        yield rate
        warm = [given["warm_before"]] if "warm_before" in given else []
        async for step in _warmth(settings, "warm_after"):
            if isinstance(step, Reading):
                warm.append(step)
            else:
                yield step
        if (corrected := _at_25(rate, settings, warm)) is not None:
            yield corrected


def _ahead(name: str, look: Look, fix: Fix, origin: str) -> Reading:
    """How far the clock is ahead of the reference. Between the two our own count bridges some seconds."""
    return Reading(
        name=name,
        value=look.ahead - (fix.time - fix.at),
        unit="s",
        origin=f"{origin}, against {fix.origin}"[:1000],
        contributions=(look.contribution, *fix.contributions),
    )


def _change(before: Reading, after: Reading) -> Reading:
    both = tuple(
        replace(c, note=f"{when}: {c.note}")
        for when, end in (("before", before), ("after", after))
        for c in end.contributions
    )
    value = float(after.value) - float(before.value)
    return Reading(name="change", value=value, unit="s", origin=after.origin, contributions=both)


def _rate(change: Reading, elapsed: float) -> Reading:
    """Change over elapsed in ppm. The elapsed time is known so much better that it adds nothing."""
    known = tuple(replace(c, u=c.u * PPM / elapsed) for c in change.contributions)
    value = float(change.value) / elapsed * PPM
    return Reading(name="rate", value=value, unit="[ppm]", origin=change.origin, contributions=known)


def _wait(error: BenchFault | NotPossible) -> Pause:
    what = "".join(c for c in error.what if c.isprintable())[:200]
    return Pause(
        why=f"it cannot be read again yet: {what}",
        say=f"It cannot be read again yet: {what}. Mend that, and go on; the power need not go away again.",
        seconds=0.0,
    )


def _pause(host: Host, settings: RetentionSettings, why: str = "") -> Pause:
    again, so = (f"{why}: ", f"{why[0].upper()}{why[1:]}. ") if why else ("", "")
    battery = ", and its main battery" if settings.battery_out else ""
    first = "Shut this computer down first. " if host.address == "local" else ""
    return Pause(
        why=f"{again}all power is to be away from the unit for {words(settings.seconds)}",
        say=(
            f"{so}{first}Take all power away now: {settings.unplug}{battery}. Leave it away for at least "
            f"{words(settings.seconds)} and note for how long. Then put it back, start the unit, and go on."
        ),
        seconds=settings.seconds,
    )


def _how_lost(change: float, allowed: float, shown: float, away: float, elapsed: float) -> str:
    """In words how the time was lost; empty where it was kept."""
    if abs(change) <= allowed:
        return ""
    for start in _STARTS:
        if 0 <= shown - start <= elapsed + 86_400:
            return f"lost: it began anew, and shows {written(shown)}"
    if change < 0 and abs(change) <= away + allowed:
        return f"lost: it stood still for {words(-change)} while the power was away"
    return f"lost: it jumped by {change:+.3g} s"


def _at_25(rate: Reading, settings: RetentionSettings, warm: Sequence[Reading]) -> Reading | None:
    if warm:
        ends = [float(reading.value) for reading in warm]
        temperature = sum(ends) / len(ends)
        # Firm bounds: half of what lies between the ends, and what the thermometer is known within at k = 2.
        u = max(sum(c.u**2 for c in reading.contributions) ** 0.5 for reading in warm)
        within = (max(ends) - min(ends)) / 2 + 2 * u
    elif settings.temperature is not None:
        temperature, within = settings.temperature, settings.temperature_within
    else:
        return None
    effect, known = from_room(temperature, within)
    return Reading(
        name="rate_25",
        value=float(rate.value) - effect,
        unit="[ppm]",
        origin=f"rate at {temperature:.1f} °C, corrected to 25 °C",
        contributions=(*rate.contributions, *known),
    )


async def _look(host: Host, settings: RetentionSettings) -> tuple[Look | None, str]:
    shown, origin = clock_shown(host, settings.clock, settings.send)
    return await look_at(shown, host.clocks), origin


async def _look_again(host: Host, settings: RetentionSettings) -> tuple[Look | None, str, str]:
    """After the cut: as `_look`, and what the unit answers instead of a time.

    It told its time before. Asked again and again for as long as it may take to start, an answer that is none is
    not that of a unit which is not up yet, but of a clock that has lost its time.
    """
    until = host.clocks.loop() + STARTING
    while True:
        try:
            return *await _look(host, settings), ""
        except Refused as error:
            if host.clocks.loop() >= until:
                return None, f"console: {settings.send}", "".join(c for c in error.what if c.isprintable())[:200]
        await host.clocks.sleep(AGAIN)


async def _warmth(settings: RetentionSettings, name: str) -> AsyncIterator[Step]:
    if settings.thermometer:
        consult = Consult(probe="instrument.temperature", instrument=settings.thermometer)
        yield consult
        if consult.given is not None:
            read = consult.given
            yield Reading(
                name=name, value=read.value, unit="Cel", origin=read.origin, contributions=read.contributions
            )


def _seconds(text: str) -> float:
    number = float(re.match(r"[\d.]+", text)[0])  # type: ignore[index]
    return number * (3600 if text.endswith("h") else 60 if text.endswith("min") else 1)
