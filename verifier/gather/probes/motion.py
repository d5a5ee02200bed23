"""The motion sensor at rest: an accelerometer that lies still shows gravity, whichever way up it is."""

from __future__ import annotations

import math
import re
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from statistics import fmean, stdev

from verifier.errors import Absent, BenchFault, NotPossible
from verifier.gather.probes.attributes import names_in, number_of, text_of
from verifier.readings import Basis, Contribution, ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Files, Host
from verifier.steps import Cue

DEVICES = "/sys/bus/iio/devices"
DEVICES_LIMIT = 64
GRAVITY = 9.80665
"""m/s², the standard value; what really acts lies between 9.780 (equator) and 9.832 (poles), from memory."""
AXES = ("x", "y", "z")
POSITIONS = (
    "on its back, screen up",
    "on its face, screen down",
    "upright on its bottom edge",
    "upside down on its top edge",
    "on its left edge",
    "on its right edge",
)
"""In pairs of opposite ones."""
_DECIMAL = re.compile(r"[+-]?\d{1,12}(\.\d{1,18})?")

Vector = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Settings:
    positions: int = 6
    """6: on each side in turn; 1: as it lies, which shows less."""
    samples: int = 20
    """Samples in each position, 3 to 200."""
    interval: float = 0.05
    """Seconds between two samples, 0.01 to 1."""
    level: float = 3.0
    """How far from level or upright the unit may stand, in degrees, 0 to 15; enters the axes' uncertainty."""
    name: str = "*"
    """What the sensor calls itself, where there are several; * and ? stand for any text."""

    def __post_init__(self) -> None:
        if self.positions not in (1, len(POSITIONS)):
            raise ValueError("positions is 1 or 6")
        if not (3 <= self.samples <= 200 and 0.01 <= self.interval <= 1):
            raise ValueError("samples is 3 to 200, interval 0.01 to 1 s")
        if not 0 <= self.level <= 15:
            raise ValueError("level is 0 to 15 degrees")
        if not (self.name.isprintable() and 0 < len(self.name) <= 80):
            raise ValueError("name is a short printable text")


@dataclass(frozen=True, slots=True)
class _Sensor:
    name: str
    at: str
    scale: Vector
    offset: Vector


@dataclass(frozen=True, slots=True)
class Rest:
    """What was read in one position: mean and standard deviation of each axis, in m/s²."""

    mean: Vector
    spread: Vector
    samples: int

    @property
    def magnitude(self) -> float:
        return math.hypot(*self.mean)


class AtRest:
    declaration = ProbeDeclaration(
        name="motion.rest",
        title="Motion sensor at rest",
        what=(
            "Reads the accelerometer while the unit lies still: lying on its back, or, asked for in turn, on each "
            "of its six sides. What it shows then is gravity: the size tells of its scale, the two ends of each "
            "axis of scale and zero, and which axis turns with which side of a sensor that is loose, turned or "
            "has a dead axis. Axes are the sensor's own. The uncertainty holds scatter, step and, for the axes, "
            "how level the unit stood."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(name="sensor", kind="text", what="What the sensor calls itself."),
            ReadingDeclaration(
                name="magnitude",
                kind="number",
                unit="m/s2",
                what="Size of what it shows at rest, in the position where that is farthest from 9.80665 m/s².",
            ),
            ReadingDeclaration(
                name="unrest",
                kind="number",
                unit="m/s2",
                what="Largest standard deviation of an axis in a position.",
            ),
            *(
                ReadingDeclaration(
                    name=f"{axis}_span",
                    kind="number",
                    unit="m/s2",
                    what=f"Six positions: half the distance between the two ends of axis {axis}; gravity where "
                    "its scale is right.",
                    optional=True,
                )
                for axis in AXES
            ),
            *(
                ReadingDeclaration(
                    name=f"{axis}_zero",
                    kind="number",
                    unit="m/s2",
                    what=f"Six positions: the middle of the two ends of axis {axis}; 0 where its zero is right.",
                    optional=True,
                )
                for axis in AXES
            ),
            ReadingDeclaration(
                name="turned",
                kind="yes-no",
                what="Six positions: whether each pair of opposite sides turned another axis from end to end.",
                optional=True,
            ),
        ),
        sources=(
            "Linux Documentation/ABI/testing/sysfs-bus-iio (in_accel_x_raw, in_accel_scale, in_accel_offset: m/s² "
            "after (raw + offset) × scale)",
            "JCGM 100, 4.2.3 (scatter of the mean), F.2.2.1 (resolution), 4.3.7 (rectangular)",
        ),
        example="""\
[[checks]]
id = "motion"
title = "Motion sensor knows which side is down"
probe = "motion.rest"
settings = { positions = 6 }
limits = [
  { reading = "magnitude", nominal = 9.807, tolerance = 0.5, unit = "m/s2", source = "data sheet of the sensor" },
  { reading = "turned", is = true, source = "maker" },
]
""",
        cues=True,
        timeout=1800.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading | Cue]:
        """Raises Absent without an accelerometer; NotPossible where several match, and on a recorded tree."""
        sensor = await _sensor(host.files, settings.name)
        six = settings.positions == len(POSITIONS)
        if six and host.address.startswith("recorded:"):
            raise NotPossible("a recorded unit stands still: nobody can lay it on another side")
        rests = []
        for number, position in enumerate(POSITIONS[: settings.positions], 1):
            which = f" ({number} of {settings.positions})" if six else ""
            if six:
                yield Cue(
                    say=f"Put the unit {position}{which}, on a level place, and let go of it.",
                    wait=True,
                    act="lay",
                    at=position,
                )
            rests.append(await _rest(host, sensor, settings))
        yield Reading(name="sensor", value=sensor.name, origin=sensor.at, exact=True)
        for reading in _readings(rests, sensor, settings):
            yield reading


def _readings(rests: Sequence[Rest], sensor: _Sensor, settings: Settings) -> list[Reading]:
    step = max(sensor.scale)
    worst = max(rests, key=lambda rest: abs(rest.magnitude - GRAVITY))
    unrest = max(spread for rest in rests for spread in rest.spread)
    found = [
        Reading(
            name="magnitude",
            value=worst.magnitude,
            unit="m/s2",
            origin=sensor.at,
            contributions=(*_scatter(worst.spread, worst.samples), Contribution.resolution(step)),
        ),
        Reading(name="unrest", value=unrest, unit="m/s2", origin=sensor.at, exact=True),
    ]
    if len(rests) < len(POSITIONS):
        return found
    tilt = Contribution.half_width(
        GRAVITY * (1 - math.cos(math.radians(settings.level))),
        basis=Basis.STATEMENT,
        note=f"stood level within {settings.level:g}°",
    )
    for axis, name in enumerate(AXES):
        high, low = (choose(rests, key=lambda rest: rest.mean[axis]) for choose in (max, min))
        # Of two means that are added and halved: u = √(u₁² + u₂²)/2.
        scatter = _scatter([math.hypot(high.spread[axis], low.spread[axis]) / 2], high.samples)
        known = (*scatter, Contribution.resolution(step), tilt)
        for reading, value in (
            ("span", (high.mean[axis] - low.mean[axis]) / 2),
            ("zero", (high.mean[axis] + low.mean[axis]) / 2),
        ):
            found.append(
                Reading(name=f"{name}_{reading}", value=value, unit="m/s2", origin=sensor.at, contributions=known)
            )
    found.append(Reading(name="turned", value=turned([rest.mean for rest in rests]), origin=sensor.at, exact=True))
    return found


def _scatter(spreads: Sequence[float], samples: int) -> tuple[Contribution, ...]:
    u = math.hypot(*spreads) / math.sqrt(samples)
    return (Contribution(basis=Basis.REPEATS, u=u, dof=samples - 1, note=f"{samples} samples a position"),)


def turned(means: Sequence[Vector]) -> bool:
    """Whether each pair of opposite positions has gravity on one axis, that axis turns its sign between the two,
    and the pairs have three different axes."""

    def down(mean: Vector) -> tuple[int, bool]:
        axis = max(range(3), key=lambda n: abs(mean[n]))
        return axis, mean[axis] > 0

    pairs = [(down(means[n]), down(means[n + 1])) for n in range(0, len(means), 2)]
    return all(a[0] == b[0] and a[1] != b[1] for a, b in pairs) and len({a[0] for a, _ in pairs}) == len(AXES)


async def _rest(host: Host, sensor: _Sensor, settings: Settings) -> Rest:
    taken: list[Vector] = []
    for number in range(settings.samples):
        if number:
            await host.clocks.sleep(settings.interval)
        raw = [await number_of(host.files, f"{sensor.at}/in_accel_{axis}_raw") for axis in AXES]
        x, y, z = (
            (value + offset) * scale if value is not None else None
            for value, offset, scale in zip(raw, sensor.offset, sensor.scale, strict=True)
        )
        if x is None or y is None or z is None:
            raise BenchFault(f"{sensor.name} gives no value of one of its axes")
        taken.append((x, y, z))
    columns = tuple(zip(*taken, strict=True))
    (x, y, z), (dx, dy, dz) = map(fmean, columns), map(stdev, columns)
    return Rest((x, y, z), (dx, dy, dz), len(taken))


async def _sensor(files: Files, wanted: str) -> _Sensor:
    found = []
    names = [n for n in await names_in(files, DEVICES) if re.fullmatch(r"iio:device\d{1,6}", n)]
    for name in names[:DEVICES_LIMIT]:
        at = f"{DEVICES}/{name}"
        called = await text_of(files, f"{at}/name") or name
        if await text_of(files, f"{at}/in_accel_x_raw") is None or not fnmatchcase(
            called.casefold(), wanted.casefold()
        ):
            continue
        scales = [await _figure(files, at, axis, "scale") for axis in AXES]
        offsets = [await _figure(files, at, axis, "offset") or 0.0 for axis in AXES]
        x, y, z = (scale if scale is not None and scale > 0 else None for scale in scales)
        if x is None or y is None or z is None:
            raise NotPossible(f"{called} does not tell its scale")
        found.append(_Sensor(called, at, (x, y, z), (offsets[0], offsets[1], offsets[2])))
    if not found:
        raise Absent("this host has no accelerometer" + (f" called {wanted}" if wanted != "*" else ""))
    if len(found) > 1:
        listed = ", ".join(sensor.name for sensor in found[:5])
        raise NotPossible(
            f"this host has several accelerometers ({listed[:200]}): name one in the check's settings"
        )
    return found[0]


async def _figure(files: Files, at: str, axis: str, what: str) -> float | None:
    """A scale or offset of one axis: its own file, or that of all axes."""
    for name in (f"in_accel_{axis}_{what}", f"in_accel_{what}"):
        text = await text_of(files, f"{at}/{name}")
        if text is not None and _DECIMAL.fullmatch(text):
            return float(text)
    return None
