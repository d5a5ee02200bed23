"""From an accuracy specification to the uncertainty of one value."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import fmean, stdev

from verifier.gather.instruments.description import Accuracy, Instrument, Quantity
from verifier.readings import Basis, Contribution, Shape


def half_width(accuracy: Accuracy, value: float) -> float:
    """Half-width of a specification at `value`, in the unit of the quantity.

    percent of reading + percent of range + counts of the last digit + absolute. Common form of data sheets.
    """
    return (
        accuracy.of_reading / 100 * abs(value)
        + accuracy.of_range / 100 * (accuracy.full_scale or 0.0)
        + accuracy.counts * accuracy.resolution
        + accuracy.absolute
    )


def range_for(quantity: Quantity, value: float, asked: float | None) -> Accuracy | None:
    """The entry that applies: that of the range asked for, else the smallest range that holds the value.

    None where the value is beyond it.
    """
    ordered = sorted(quantity.ranges, key=lambda a: a.full_scale or math.inf)
    if asked is not None:
        ordered = [a for a in ordered if a.full_scale == asked]
    return next((a for a in ordered if a.full_scale is None or abs(value) <= a.full_scale * 1.2), None)


def contributions(
    instrument: Instrument, name: str, accuracy: Accuracy, values: Sequence[float], unit: str
) -> tuple[Contribution, ...]:
    """The uncertainty of the mean of `values`: specification, resolution, and scatter where there are several.

    Rectangular unless the specification says otherwise: u = a/√3 (JCGM 100, 4.3.7); a/k for a normal one with
    coverage factor k (4.3.3); resolution by F.2.2.1; scatter s/√n with n - 1 degrees of freedom (4.2.3).
    """
    a = half_width(accuracy, fmean(values))
    terms = [
        f"{accuracy.of_reading:g} % of reading" if accuracy.of_reading else "",
        f"{accuracy.of_range:g} % of {accuracy.full_scale:g} {unit}" if accuracy.of_range else "",
        f"{accuracy.counts:g} counts" if accuracy.counts else "",
        f"{accuracy.absolute:g} {'K' if unit == 'Cel' else unit}" if accuracy.absolute else "",
    ]
    paper = f", certificate {instrument.certificate}" if instrument.certificate else ""
    dated = f", calibrated {instrument.calibrated}" if instrument.calibrated else ""
    note = f"{name}: {' + '.join(t for t in terms if t)}{paper}{dated}"
    if accuracy.shape == "normal":
        first = Contribution(
            basis=Basis.SPECIFICATION, u=a / accuracy.coverage_factor, shape=Shape.NORMAL, note=note
        )
    else:
        first = Contribution.half_width(a, basis=Basis.SPECIFICATION, note=note)
    found = [first, Contribution.resolution(accuracy.resolution, note=f"{name}: last digit")]
    if len(values) > 1:
        u = stdev(values) / math.sqrt(len(values))
        found.append(
            Contribution(basis=Basis.REPEATS, u=u, dof=len(values) - 1, note=f"{len(values)} samples of {name}")
        )
    return tuple(found)
