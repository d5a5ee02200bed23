"""Which unit is on the bench: label, firmware and order must say the same serial number."""

from __future__ import annotations

import re
from collections.abc import Sequence

from verifier.declare.patterns import compiled, in_words
from verifier.declare.suite import Serial
from verifier.errors import WrongUnit
from verifier.readings import SerialNumber

_NAMES = {
    "label": "the scanned label",
    "firmware": "the firmware",
    "order": "the repair order",
    "option": "--serial",
}


def luhn(digits: str) -> int:
    """The check digit over `digits` (ISO/IEC 7812-1:2017, annex B: modulus 10, double-add-double)."""
    total = 0
    for position, digit in enumerate(reversed(digits)):
        value = int(digit) * (2 if position % 2 == 0 else 1)
        total += value - 9 if value > 9 else value
    return -total % 10


def serial_problem(serial: Serial, number: str) -> str:
    """What is wrong with the form of a serial number; empty when nothing is."""
    if len(number) > 100:
        return "is longer than any serial number"
    if serial.pattern is not None and not compiled(serial.pattern).fullmatch(number):
        return f"does not look like a serial number of this model ({in_words(serial.pattern)})"
    if serial.check_digit == "luhn":
        digits = re.sub(r"[^0-9]", "", number)
        if len(digits) < 2 or luhn(digits[:-1]) != int(digits[-1]):
            return "has a wrong check digit: a digit was misread or mistyped"
    return ""


def agree(serial: Serial, numbers: Sequence[SerialNumber], so_far: str | None = None) -> str | None:
    """The serial number on which all that say one agree; None when none does.

    `so_far` is the number under which earlier findings of this run were made. WrongUnit names each
    source and what it said.
    """
    said = [(_NAMES[n.source], n.value.strip()) for n in numbers if n.value and n.value.strip()]
    for source, value in said:
        if problem := serial_problem(serial, value):
            raise WrongUnit(
                f"{source} says {value}, which {problem}",
                to_do="Look at the label again. If this is another unit, put the right one on the bench.",
            )
    if so_far is not None:
        said.append(("this run so far", so_far))
    if len({value for _, value in said}) > 1:
        raise WrongUnit(
            f"the serial numbers disagree: {'; '.join(f'{source} says {value}' for source, value in said)}",
            to_do="Put the right unit on the bench and `verifier resume`, or mend the order and start anew.",
        )
    return said[0][1] if said else None
