"""What worker and parent say to each other: one JSON object a line, of bounded length."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Any

from verifier.readings import PLAIN, Basis, Conditions, Contribution, Grid, Reading, Series, Shape
from verifier.steps import Ask, Consult, Cue, Look, Pause, Step

LINE_LIMIT = 1 << 22
"""Bytes of one message: a series of 200,000 samples fits."""
TAKE_LIMIT = 1 << 25
"""Bytes of all the messages of one take."""


class WireError(ValueError):
    """A message that is no message."""


def encode(message: dict[str, Any]) -> bytes:
    # NaN passes here and is refused by name where readings are checked.
    return json.dumps(message, separators=(",", ":")).encode() + b"\n"


def decode(line: bytes) -> dict[str, Any]:
    try:
        message = json.loads(line)
    except (ValueError, RecursionError) as error:
        raise WireError(str(error)) from None
    if not isinstance(message, dict):
        raise WireError("not an object")
    return message


def pack(reading: Reading) -> dict[str, Any]:
    packed: dict[str, Any] = {
        "name": reading.name,
        "value": reading.value,
        "unit": reading.unit,
        "origin": reading.origin,
        "exact": reading.exact,
        "contributions": [asdict(c) for c in reading.contributions],
    }
    if reading.series is not None:
        packed["series"] = [reading.series.t0, reading.series.dt, reading.series.values, reading.series.model]
    if reading.grid is not None:
        packed["grid"] = [reading.grid.rows, reading.grid.legend]
    if reading.conditions != PLAIN:
        packed["conditions"] = asdict(reading.conditions)
    return packed


def unpack(packed: Any) -> Reading:
    """The reading, with every field of its right type; WireError otherwise."""
    try:
        name, unit, origin = (_typed(packed[key], str) for key in ("name", "unit", "origin"))
        value = packed["value"]
        if not isinstance(value, bool | int | float | str):
            raise WireError("a value that is neither yes, no, number nor text")
        return Reading(
            name=name,
            value=value,
            unit=unit,
            origin=origin,
            exact=_typed(packed["exact"], bool),
            contributions=tuple(_contribution(c) for c in packed["contributions"]),
            series=_series(packed.get("series")),
            grid=_grid(packed.get("grid")),
            conditions=_conditions(packed.get("conditions")),
        )
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise WireError(f"{type(error).__name__}: {error}") from None


def pack_step(step: Step) -> dict[str, Any]:
    """What a probe yields as a message."""
    match step:
        case Cue():
            return {"cue": {"say": step.say, "wait": step.wait, "code": step.code}}
        case Ask():
            said = {"say": step.say, "pattern": step.pattern, "hint": step.hint, "about": step.about}
            return {"ask": said}
        case Consult():
            return {"consult": {"probe": step.probe, "instrument": step.instrument}}
        case Look():
            return {"look": [pack(reading) for reading in step.readings]}
        case Pause():
            return {"pause": {"why": step.why, "say": step.say, "seconds": step.seconds}}
        case Reading():
            return {"reading": pack(step)}


def unpack_step(message: Any) -> Step | None:
    """What a probe yielded, with every field of its right type; None for another message, WireError for none."""
    try:
        match message:
            case {"reading": packed}:
                return unpack(packed)
            case {"cue": said}:
                words = {key: _typed(said[key], str) for key in ("say", "code")}
                return Cue(**words, wait=_typed(said["wait"], bool))
            case {"ask": said}:
                return Ask(**{key: _typed(said[key], str) for key in ("say", "pattern", "hint", "about")})
            case {"consult": said}:
                return Consult(probe=_typed(said["probe"], str), instrument=_typed(said["instrument"], str))
            case {"look": list(packed)}:
                return Look(readings=tuple(map(unpack, packed)))
            case {"pause": said}:
                why, say = (_typed(said[key], str) for key in ("why", "say"))
                return Pause(why=why, say=say, seconds=float(_typed(said["seconds"], int, float)))
    except (KeyError, TypeError) as error:
        raise WireError(f"{type(error).__name__}: {error}") from None
    return None


def shown(step: Step) -> dict[str, Any] | None:
    """What the worker is told when whoever consumes its probe is done with a step; None where it waits for
    none."""
    match step:
        case Cue():
            return {"shown": True}
        case Ask():
            return {"shown": step.answer}
        case Consult():
            return {"shown": pack(step.given) if step.given else None, "boot": step.boot}
        case Look():
            return {"shown": step.enough}
    return None


def take_in(step: Step, message: Any) -> None:
    """In the worker: put what came back into what the probe yielded. WireError for what is none."""
    match step, message:
        case Cue(), {"shown": True}:
            return
        case Ask(), {"shown": str(answer)}:
            step.answer = answer
        case Consult(), {"shown": dict(packed), "boot": int() | float() as boot}:
            step.given, step.boot = unpack(packed), boot
        case Look(), {"shown": bool(enough)}:
            step.enough = enough
        case _:
            raise WireError("nobody said that it was done")


def _contribution(packed: Any) -> Contribution:
    dof = packed["dof"]
    return Contribution(
        basis=Basis(packed["basis"]),
        u=float(_typed(packed["u"], int, float)),
        shape=Shape(packed["shape"]),
        dof=None if dof is None else float(_typed(dof, int, float)),
        note=_typed(packed["note"], str),
    )


def _series(packed: Any) -> Series | None:
    if packed is None:
        return None
    t0, dt, values, model = packed
    return Series(
        t0=float(_typed(t0, int, float)),
        dt=float(_typed(dt, int, float)),
        values=tuple(float(_typed(v, int, float)) for v in values),
        model=tuple(float(_typed(v, int, float)) for v in model),
    )


def _conditions(packed: Any) -> Conditions:
    if packed is None:
        return PLAIN
    return Conditions(
        looks=_typed(packed["looks"], int),
        at_least=_typed(packed["at_least"], bool),
        doubt=_typed(packed["doubt"], str),
        remark=_typed(packed["remark"], str),
    )


def _grid(packed: Any) -> Grid | None:
    if packed is None:
        return None
    rows, legend = packed
    return Grid(
        rows=tuple(_typed(row, str) for row in rows),
        legend=tuple((_typed(sign, str), _typed(said, str)) for sign, said in legend),
    )


def _typed(value: Any, *kinds: type) -> Any:
    if not isinstance(value, kinds) or (isinstance(value, bool) and bool not in kinds):
        raise WireError(f"{value!r:.60} where {' or '.join(k.__name__ for k in kinds)} belongs")
    return value
